package demo_test

import (
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gatewright/api/accounts"
	"gatewright/api/demo"
	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/schema/rules"
	"gatewright/sync/hub"
	"gatewright/sync/replay"
	"gatewright/sync/sqlitestore"
)

// seeded makes the demo at an instant, by the real hub into a real database, and reads it back.
func seeded(t *testing.T, now time.Time) (*accounts.Accounts, accounts.Site, *replay.Site) {
	t.Helper()
	db, err := sqlitestore.Open(t.Context(), filepath.Join(t.TempDir(), "gatewright.db"), sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	clock := func() time.Time { return now }
	a := accounts.New(db, clock)
	runner := hub.NewRunner(db, hub.Config{StorageID: "test", Now: clock}, slog.New(slog.DiscardHandler))
	told := 0
	site, err := demo.Seed(t.Context(), a, runner, now, func(done, of int) {
		if done <= told || done > of {
			t.Errorf("told that %d of %d are written, after %d", done, of, told)
		}
		told = done
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := runner.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	read, err := replay.Read(t.Context(), db, site.ID)
	if err != nil {
		t.Fatal(err)
	}
	if len(read.Entries) != told {
		t.Errorf("%d entries in the log, told of %d", len(read.Entries), told)
	}
	return a, site, read
}

// Whenever the demo is seeded, it must show something worth seeing, and nothing that makes no sense: in the middle
// of a day, at night, on the days of the clock change (Europe/Dublin, 29 March and 25 October 2026), at the turn of
// a year, on 29 February, and in the middle of a milking.
func TestSeed(t *testing.T) {
	for _, text := range []string{
		"2026-11-25T10:30:00Z", "2026-07-03T00:10:00Z", "2026-03-29T12:00:00Z", "2026-04-10T09:00:00Z", "2026-10-25T01:30:00Z",
		"2027-01-01T00:00:30Z", "2028-02-29T23:30:00Z", "2026-06-15T06:00:00Z", "2026-11-30T22:00:00Z",
	} {
		t.Run(text, func(t *testing.T) {
			t.Parallel()
			now, err := time.Parse(time.RFC3339, text)
			if err != nil {
				t.Fatal(err)
			}
			a, site, read := seeded(t, now)
			for _, p := range read.Plan.Problems {
				t.Errorf("problem of the plan: %s: %s", p.Field, p.Detail)
			}
			checkHistory(t, a, site, read, now)
			checkState(t, read.Engine().Evaluate(now.UnixMilli()))
		})
	}
}

func checkHistory(t *testing.T, a *accounts.Accounts, site accounts.Site, read *replay.Site, now time.Time) {
	t.Helper()
	people, err := a.People(t.Context(), site.ID)
	if err != nil {
		t.Fatal(err)
	}
	role := map[string]rights.Role{}
	for _, p := range people {
		role[p.ID] = p.Role
	}
	if len(people) != 5 {
		t.Errorf("%d people, want 5", len(people))
	}
	first, last := now.UnixMilli(), int64(0)
	kinds := map[logbook.Kind]int{}
	for _, e := range read.Entries {
		kinds[e.Kind]++
		first, last = min(first, e.At), max(last, e.At)
		if e.ID.Time() > now.UnixMilli() || e.At > e.ID.Time() {
			t.Errorf("entry %s is recorded after the seeding, or before it was done", e.Raw)
		}
		if !rights.MayWrite(role[e.By], e.Kind) {
			t.Errorf("a %s may not write %s", role[e.By], e.Raw)
		}
		if e.Gate != "" && read.Plan.Gates[e.Gate] == nil || e.Check != "" && read.Plan.Checks[e.Check] == nil || e.Part != "" && read.Plan.Parts[e.Part] == nil {
			t.Errorf("entry %s is about something that the plan lacks", e.Raw)
		}
	}
	if days := float64(last-first) / 86_400_000; days < 40 {
		t.Errorf("the history has %.1f days, want 40 and more", days)
	}
	for _, k := range []logbook.Kind{logbook.Tick, logbook.Reading, logbook.ModeSeen, logbook.Tally, logbook.Note, logbook.Fault,
		logbook.Fixed, logbook.Handover, logbook.Park, logbook.Isolate, logbook.Fitting, logbook.Visit} {
		if kinds[k] == 0 {
			t.Errorf("no entry of kind %s", k)
		}
	}
}

func checkState(t *testing.T, out *rules.Output) {
	t.Helper()
	open := map[string]int{}
	var all []string
	for _, f := range out.Flags {
		if f.Rule == "odd" {
			t.Errorf("a record makes no sense: %s", f.Subject)
		}
		if f.HasCleared {
			continue
		}
		open[f.Rule]++
		all = append(all, f.Subject)
		if f.Subject == "overdue/e26" {
			open["e26"]++
		}
	}
	for _, rule := range []string{"e26", "near", "fault"} {
		if open[rule] == 0 {
			t.Errorf("no open flag of %s; open are %s", rule, strings.Join(all, ", "))
		}
	}
	if n := len(all); n > 15 {
		t.Errorf("%d open flags are more than anybody reads: %s", n, strings.Join(all, ", "))
	}
	if out.Future != 0 {
		t.Errorf("%d entries of the future", out.Future)
	}
	late := 0
	for _, i := range out.Due {
		if i.State == rules.Overdue || i.State == rules.Late || i.State == rules.DueNow {
			late++
		}
	}
	if late == 0 {
		t.Error("nothing is due: there is nothing to do in the demo")
	}
	if len(out.Completion) == 0 {
		t.Error("no completion")
	}
}

// The same instant gives the same history but for the ids that the server draws.
func TestSeedIsTheSame(t *testing.T) {
	now := time.Date(2026, 11, 25, 10, 30, 0, 0, time.UTC)
	_, _, a := seeded(t, now)
	_, _, b := seeded(t, now)
	if len(a.Entries) != len(b.Entries) {
		t.Fatalf("%d entries, then %d", len(a.Entries), len(b.Entries))
	}
	for i := range a.Entries {
		x, y := a.Entries[i], b.Entries[i]
		if x.ID != y.ID || x.Kind != y.Kind || x.At != y.At || x.Check != y.Check || x.Value != y.Value {
			t.Fatalf("entry %d: %s, then %s", i, x.Raw, y.Raw)
		}
	}
}
