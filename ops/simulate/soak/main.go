// Command soak plays seeds of the simulation, each to its end, and says in one
// line of JSON what came of them. Its exit status is 0 only when nothing was
// lost and every invariant held.
package main

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"

	"gatewright/ops/simulate"
)

func main() {
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
}

func run(args []string, out, errs io.Writer) int {
	flags := flag.NewFlagSet("soak", flag.ContinueOnError)
	flags.SetOutput(errs)
	seed := flags.Uint64("seed", 1, "the first seed")
	entries := flags.Int("entries", 2000, "entries that are called saved in each run")
	phones := flags.Int("phones", 0, "phones of people; 0 = as each seed says")
	log := flags.String("log", "", "a file for every event and frame of one seed, in words")
	seeds := flags.Int("seeds", 1, "how many seeds, one after the other")
	if err := flags.Parse(args); err != nil {
		return 2
	}
	for _, bad := range []struct {
		is   bool
		what string
	}{
		{flags.NArg() > 0, fmt.Sprintf("%q is not an option here", flags.Arg(0))},
		{*entries < 1, "--entries must be at least 1"},
		{*phones < 0 || *phones > 50 || *phones > 0 && *phones < 2, "--phones must be from 2 to 50, or 0"},
		{*seeds < 1, "--seeds must be at least 1"},
	} {
		if bad.is {
			fmt.Fprintln(errs, bad.what)
			return 2
		}
	}
	cfg := simulate.Config{Entries: *entries, Phones: *phones}
	if *log != "" {
		if *seeds > 1 {
			fmt.Fprintln(errs, "--log is for one seed")
			return 2
		}
		f, err := os.Create(*log)
		if err != nil {
			fmt.Fprintln(errs, err)
			return 1
		}
		defer f.Close()
		w := bufio.NewWriter(f)
		defer w.Flush()
		cfg.Log = w
	}
	debug.SetGCPercent(400) // a run holds little for long
	return play(*seed, *seeds, cfg, out, errs)
}

// play runs seeds on all cores; what it says is in their order.
func play(first uint64, seeds int, cfg simulate.Config, out, errs io.Writer) int {
	sum := simulate.Sum{Seed: first, Seeds: seeds, Faults: map[string]int{}}
	traces := sha256.New()
	results := make([]chan *simulate.Result, seeds)
	for i := range results {
		results[i] = make(chan *simulate.Result, 1)
	}
	slots := make(chan struct{}, runtime.GOMAXPROCS(0))
	go func() {
		for i := range seeds {
			slots <- struct{}{}
			go func() {
				one := cfg
				one.Seed = first + uint64(i)
				results[i] <- simulate.Run(one)
				<-slots
			}()
		}
	}()
	shown := terminal(errs)
	for i := range results {
		res := <-results[i]
		sum.Entries += res.Entries
		sum.Acknowledged += res.Acknowledged
		sum.Lost += res.Lost
		for name, n := range res.Faults {
			sum.Faults[name] += n
		}
		fmt.Fprintln(traces, res.Trace)
		sum.Trace = res.Trace
		if res.Failure != nil {
			sum.Failed = append(sum.Failed, res.Seed)
			if shown {
				fmt.Fprint(errs, "\r\x1b[K")
			}
			fmt.Fprintf(errs, "seed %d: %v\n", res.Seed, res.Failure)
			if res.Failure.Stack != "" {
				fmt.Fprintln(errs, res.Failure.Stack)
			}
		}
		if shown {
			fmt.Fprintf(errs, "\r\x1b[K%d of %d seeds, %d entries acknowledged", i+1, seeds, sum.Acknowledged)
		}
	}
	if shown {
		fmt.Fprint(errs, "\r\x1b[K")
	}
	if seeds > 1 {
		sum.Trace = hex.EncodeToString(traces.Sum(nil)[:16])
	}
	line, err := json.Marshal(sum)
	if err != nil {
		fmt.Fprintln(errs, err)
		return 1
	}
	fmt.Fprintln(out, string(line))
	if len(sum.Failed) > 0 || sum.Lost > 0 {
		return 1
	}
	return 0
}

// terminal reports that somebody looks on.
func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
