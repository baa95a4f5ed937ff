// Command crashes is the long form of the crash trials: it runs one of them on a store and prints one line of JSON.
// Its exit status is 0 only if nothing that was acknowledged was lost.
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
	"syscall"

	"gatewright/ops/crash"
)

const usage = `usage: ./ops/crashes kill [--store sqlite|postgres] [--kills 200] [--every 25]
       ./ops/crashes full [--store sqlite|postgres] [--rounds 6] [--room 4]
       ./ops/crashes damage [--logs 60] [--pages 12] [--random 40]
each with [--sites 4] [--phones 3] [--seed 1] [--folder DIR]`

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:]))
}

// options are the flags; a trial takes those that mean something to it.
type options struct {
	store, folder string
	kills, every  int
	rounds, room  int
	damage        crash.DamagePlan
	sites, phones int
	seed          uint64
}

func run(ctx context.Context, args []string) int {
	if len(args) == 0 {
		fmt.Fprintln(os.Stderr, usage)
		return 2
	}
	var o options
	f := flag.NewFlagSet(args[0], flag.ContinueOnError)
	f.StringVar(&o.store, "store", "sqlite", "sqlite or postgres")
	f.StringVar(&o.folder, "folder", "", "folder for the trial's files; a temporary one that is removed when left out")
	f.IntVar(&o.kills, "kills", 200, "how many kills")
	f.IntVar(&o.every, "every", 25, "kills between two full looks")
	f.IntVar(&o.rounds, "rounds", 6, "how often the disk fills")
	f.IntVar(&o.room, "room", 4, "MiB that are free when the load begins")
	f.IntVar(&o.damage.Logs, "logs", 60, "copies with a damaged write-ahead log")
	f.IntVar(&o.damage.Pages, "pages", 12, "copies with a bit changed in a stored change")
	f.IntVar(&o.damage.Random, "random", 40, "copies with a bit changed anywhere in the file")
	f.IntVar(&o.sites, "sites", 4, "sites")
	f.IntVar(&o.phones, "phones", 3, "phones at each site, each a writer")
	f.Uint64Var(&o.seed, "seed", 1, "of kill moments and what is recorded")
	switch err := f.Parse(args[1:]); {
	case errors.Is(err, flag.ErrHelp):
		return 0
	case err != nil:
		return 2
	case f.NArg() > 0:
		fmt.Fprintf(os.Stderr, "%q is one word too many; %s\n", f.Arg(0), usage)
		return 2
	}
	if min(o.kills, o.rounds, o.room, o.sites, o.phones) < 1 || o.every < 0 {
		fmt.Fprintln(os.Stderr, "--kills, --rounds, --room, --sites and --phones must be 1 or more, --every 0 or more")
		return 2
	}
	res, err := trial(ctx, args[0], o)
	if errors.Is(err, errUsage) {
		fmt.Fprintln(os.Stderr, err)
		return 2
	}
	line, jsonErr := json.Marshal(res)
	if err = errors.Join(err, jsonErr); err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	fmt.Println(string(line))
	if err != nil {
		return 1
	}
	return 0
}

var errUsage = errors.New(usage)

func trial(ctx context.Context, name string, o options) (res crash.Result, err error) {
	folder := o.folder
	if folder == "" {
		if folder, err = os.MkdirTemp("", "gatewright-crashes-"); err != nil {
			return res, err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	} else if err := os.MkdirAll(folder, 0o700); err != nil {
		return res, err
	}
	bin, err := crash.Build(ctx, folder)
	if err != nil {
		return res, err
	}
	plan := crash.Plan{Sites: o.sites, Phones: o.phones, Seed: o.seed, Log: os.Stderr}
	switch name {
	case "kill":
		store, err := open(ctx, o.store, folder)
		if err != nil {
			return res, err
		}
		res, err = crash.Kill(ctx, bin, store, crash.KillPlan{Plan: plan, Kills: o.kills, Every: o.every})
		return res, errors.Join(err, store.Close())
	case "full":
		p := crash.FullPlan{Plan: plan, Rounds: o.rounds, Room: int64(o.room) << 20}
		place := func(disk string) (crash.Store, error) { return open(ctx, o.store, disk) }
		if o.store == "postgres" { // an empty one takes 40 MiB, and a file of its log 16
			p.Size = 256 << 20
			place = func(disk string) (crash.Store, error) {
				return crash.NewPostgres(ctx, filepath.Join(folder, "data"), filepath.Join(disk, "postgres"),
					map[string]string{"min_wal_size": "32MB", "max_wal_size": "64MB"})
			}
		}
		return crash.Full(ctx, bin, place, p)
	}
	if name == "damage" {
		o.damage.Plan = plan
		return crash.Damage(ctx, bin, folder, o.damage)
	}
	return res, fmt.Errorf("%q is no trial: %w", name, errUsage)
}

func open(ctx context.Context, name, folder string) (crash.Store, error) {
	switch name {
	case "sqlite":
		return crash.NewSQLite(filepath.Join(folder, "data")), nil
	case "postgres":
		return crash.NewPostgres(ctx, filepath.Join(folder, "data"), "", nil)
	}
	return nil, fmt.Errorf("--store: %q is neither sqlite nor postgres: %w", name, errUsage)
}
