// Command agree plays random sites on the rules as built for every platform, and on the independent evaluator, tries the
// calculations on every platform, and prints one line of JSON. Its exit status is 0 only if all of them answered the same bytes.
package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"gatewright/ops/platforms"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

func run(ctx context.Context, args []string, out, errs io.Writer) int {
	f := flag.NewFlagSet("agree", flag.ContinueOnError)
	f.SetOutput(errs)
	sites := f.Int("sites", 10_000, "how many random sites")
	first := f.Uint64("first", 1, "the seed of the first")
	seed := f.Uint64("seed", 0, "print all that one site is asked and answers, everywhere, instead")
	naiveOf := f.Int("naive-of", 1, "the independent evaluator plays every so many-th site; 0 = none")
	variations := f.Int("variations", 100, "how many inputs of each calculation; 0 = none")
	names := f.String("platforms", "", "which, by name and with commas; amd64-v1,amd64-v3,arm64,wasm when left out")
	if err := f.Parse(args); err != nil {
		return 2
	}
	t := platforms.Trial{Platforms: platforms.Usual(), First: *first, Sites: *sites, NaiveOf: *naiveOf, Variations: *variations, Says: errs}
	var bad error
	switch {
	case f.NArg() > 0:
		bad = fmt.Errorf("%q is not an option here", f.Arg(0))
	case *sites < 1 || *naiveOf < 0 || *variations < 0:
		bad = fmt.Errorf("--sites must be at least 1, --naive-of and --variations at least 0")
	case *names != "":
		t.Platforms, bad = platforms.Named(strings.Split(*names, ","))
	}
	if bad != nil {
		fmt.Fprintln(errs, bad)
		return 2
	}
	one := false
	f.Visit(func(g *flag.Flag) { one = one || g.Name == "seed" })
	if one {
		t.First = *seed
		agreed, err := t.Show(ctx, out)
		return status(agreed, err, errs)
	}
	report, err := platforms.Run(ctx, t)
	if err != nil {
		return status(false, err, errs)
	}
	line, err := json.Marshal(report)
	fmt.Fprintf(out, "%s\n", line)
	return status(report.Agreed(), err, errs)
}

func status(agreed bool, err error, errs io.Writer) int {
	if err != nil {
		fmt.Fprintln(errs, err)
	}
	if err != nil || !agreed {
		return 1
	}
	return 0
}
