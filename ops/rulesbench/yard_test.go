package main

import (
	"bytes"
	"testing"
	"time"

	"gatewright/schema/logbook"
)

// What is measured is a log as a busy site has it: sixty entries a day in order, of many kinds, none odd, and the
// same in every run.
func TestDrawnLog(t *testing.T) {
	const days = 400
	s, err := newSite(t.Context(), days*perDay)
	if err != nil {
		t.Fatal(err)
	}
	log, after, err := drawn(s.plan, days*perDay, 100)
	if err != nil {
		t.Fatal(err)
	}
	again, _, err := drawn(s.plan, days*perDay, 100)
	if err != nil {
		t.Fatal(err)
	}
	kinds, dates := map[logbook.Kind]int{}, map[string]int{}
	var before *logbook.Entry
	for i, raw := range append(log, after...) {
		e, err := logbook.ParseEntry(raw)
		if err != nil {
			t.Fatal(err)
		}
		if before != nil && (e.At < before.At || e.ID <= before.ID) {
			t.Fatalf("entry %d is not in order: %s", i, raw)
		}
		before = e
		if i < len(log) {
			kinds[e.Kind]++
			dates[time.UnixMilli(e.At).In(s.plan.Site.Location).Format(time.DateOnly)]++
			if !bytes.Equal(raw, again[i]) {
				t.Fatalf("entry %d differs from run to run", i)
			}
		}
	}
	if len(dates) != days {
		t.Errorf("the log is of %d days, want %d", len(dates), days)
	}
	for date, n := range dates {
		if n != perDay {
			t.Errorf("%s has %d entries", date, n)
		}
	}
	if len(kinds) < 10 {
		t.Errorf("only %d kinds are there: %v", len(kinds), kinds)
	}
	e, now, _, _, err := s.engine(days*perDay, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range e.Evaluate(now).Flags {
		if f.Rule == "odd" {
			t.Errorf("%s: an entry of the log is odd", f.Subject)
		}
	}
}

func TestRatios(t *testing.T) {
	rows := []row{{Case: "add", Where: "native", Entries: 50, P50: 30}, {Case: "add", Where: "native", Entries: 10, P50: 20}, {Case: "add", Where: "node", Entries: 50, P50: 7}}
	ratios(rows)
	if rows[0].Ratio != 1.5 || rows[1].Ratio != 0 || rows[2].Ratio != 0 {
		t.Errorf("ratios %v %v %v", rows[0].Ratio, rows[1].Ratio, rows[2].Ratio)
	}
}
