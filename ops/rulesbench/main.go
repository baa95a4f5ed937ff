package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"slices"
	"syscall"
)

const usage = "usage: ./ops/bench rules [--json FILE] [--quick]"

type settings struct {
	json, phone, module string
	quick               bool
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	s, err := parse(os.Args[1:])
	if errors.Is(err, flag.ErrHelp) {
		fmt.Println(usage)
		return
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
	if err := bench(ctx, s); err != nil {
		fmt.Fprintln(os.Stderr, "bench: "+err.Error())
		os.Exit(1)
	}
}

func parse(args []string) (settings, error) {
	var s settings
	f := flag.NewFlagSet("rules", flag.ContinueOnError)
	f.SetOutput(io.Discard)
	f.StringVar(&s.json, "json", "", "file for the rows")
	f.StringVar(&s.phone, "phone", "clients/phone", "folder of the phone")
	f.StringVar(&s.module, "module", "clients/phone/src/generated/rules.wasm", "the WebAssembly module")
	f.BoolVar(&s.quick, "quick", false, "one run, smaller logs")
	if err := f.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return s, err
		}
		return s, fmt.Errorf("%w; %s", err, usage)
	}
	if f.NArg() > 0 {
		return s, fmt.Errorf("%q is not an option here; %s", f.Arg(0), usage)
	}
	return s, nil
}

func bench(ctx context.Context, s settings) error {
	year, runs, samples, logs := 365*perDay, 9, 600, []int{1_000, 10_000, 50_000, 200_000}
	years := []int{year, 10 * year}
	if s.quick {
		years, runs, samples, logs = years[:1], 3, 120, logs[:2]
	}
	fmt.Printf("%s/%s, %d CPUs, %s; two gates, %d entries a day\n\n", runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), runtime.Version(), perDay)
	var rows []row
	for _, n := range years {
		site, err := newSite(ctx, n)
		if err != nil {
			return err
		}
		r, err := site.first(n, runs)
		if err != nil {
			return fmt.Errorf("case first: %w", err)
		}
		r.Case, r.Where = "first", "native"
		rows = append(rows, r)
	}
	for _, n := range logs {
		if err := ctx.Err(); err != nil {
			return err
		}
		site, err := newSite(ctx, n)
		if err != nil {
			return err
		}
		if err := site.steps(n, samples, func(r row) { r.Where = "native"; rows = append(rows, r) }); err != nil {
			return fmt.Errorf("cases add, wait and late beside %d entries: %w", n, err)
		}
	}
	inside, err := inModule(ctx, s.phone, s.module, years, logs, min(runs, 5), samples)
	if err != nil {
		return err
	}
	for i := range inside {
		if inside[i].Case == "module" {
			if inside[i].Raw, inside[i].Brotli, err = sizes(ctx, s.module); err != nil {
				return err
			}
		}
	}
	rows = append(rows, inside...)
	order := []string{"module", "first", "add", "wait", "late"}
	slices.SortStableFunc(rows, func(a, b row) int {
		return cmp.Compare(slices.Index(order, a.Case), slices.Index(order, b.Case))
	})
	ratios(rows)
	print(os.Stdout, rows)
	if s.json == "" {
		return nil
	}
	return save(s.json, rows)
}
