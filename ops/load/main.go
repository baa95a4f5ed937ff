package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
)

// settings are what the command line says.
type settings struct {
	json, data, binary, echo, peers, profile string
	quick                                    bool
	cases, servers                           []string
}

const usage = "usage: ./ops/bench sync [--json FILE] [--case NAME,…] [--server NAME,…] [--quick] [--profile DIR] [--data DIR]"

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
	if len(args) > 0 && (args[0] == "-h" || args[0] == "--help") {
		return s, flag.ErrHelp
	}
	if len(args) == 0 || args[0] != "sync" {
		return s, errors.New(usage)
	}
	f := flag.NewFlagSet("sync", flag.ContinueOnError)
	f.Usage = func() {}
	f.SetOutput(discard{})
	f.StringVar(&s.json, "json", "", "file for the rows")
	f.StringVar(&s.data, "data", "", "folder for databases and logs; emptied case by case")
	f.StringVar(&s.binary, "binary", "bin/gatewright", "the server")
	f.StringVar(&s.echo, "echo", "bin/barefiber", "the bare echo server")
	f.StringVar(&s.peers, "peers", "ops/load/peers", "folder of the other servers")
	f.StringVar(&s.profile, "profile", "", "folder for profiles of our server")
	f.BoolVar(&s.quick, "quick", false, "one repetition, smaller cases")
	some := f.String("case", "", "cases, parted by commas")
	servers := f.String("server", "", "servers, parted by commas")
	if err := f.Parse(args[1:]); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return s, err
		}
		return s, fmt.Errorf("%w; %s", err, usage)
	}
	if f.NArg() > 0 {
		return s, fmt.Errorf("%q is not an option here; %s", f.Arg(0), usage)
	}
	var err error
	if s.cases, err = choice("case", *some, caseNames()); err != nil {
		return s, err
	}
	if s.servers, err = choice("server", *servers, serverNames); err != nil {
		return s, err
	}
	return s, nil
}

type discard struct{}

func (discard) Write(b []byte) (int, error) { return len(b), nil }

// choice reads a list of names; an empty one is all of them.
func choice(what, list string, all []string) ([]string, error) {
	if list == "" {
		return all, nil
	}
	var out []string
	for name := range strings.SplitSeq(list, ",") {
		if !slices.Contains(all, name) {
			return nil, fmt.Errorf("--%s: there is no %q; there are %s", what, name, strings.Join(all, ", "))
		}
		out = append(out, name)
	}
	return out, nil
}

// bench runs the cases in turn and reports as it goes.
func bench(ctx context.Context, s settings) error {
	folder := s.data
	if folder == "" {
		var err error
		if folder, err = os.MkdirTemp("", "gatewright-bench-"); err != nil {
			return err
		}
		defer os.RemoveAll(folder)
	}
	var err error
	if folder, err = filepath.Abs(folder); err != nil {
		return err
	}
	if err := makeFolder(folder); err != nil {
		return err
	}
	if s.profile != "" {
		if err := makeFolder(s.profile); err != nil {
			return err
		}
	}
	b := &run{settings: s, folder: folder}
	rep := newReport(folder, s)
	rep.printMachine(os.Stdout)
	for _, c := range cases {
		if !slices.Contains(s.cases, c.name) {
			continue
		}
		begun := len(rep.Rows)
		fmt.Fprintf(os.Stdout, "\n%s: %s\n", c.name, c.what(s.quick))
		if err := c.run(ctx, b, func(r row) { r.Case = c.name; rep.Rows = append(rep.Rows, r) }); err != nil {
			return fmt.Errorf("case %s: %w", c.name, err)
		}
		rep.printRows(os.Stdout, rep.Rows[begun:])
	}
	rep.compare()
	rep.printRatios(os.Stdout)
	if s.json == "" {
		return nil
	}
	out, err := json.MarshalIndent(rep, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(s.json, append(out, '\n'), 0o644)
}

// makeFolder makes a folder and those above it.
func makeFolder(path string) error { return os.MkdirAll(path, 0o700) }
