package rules

import (
	"bytes"
	"encoding/json"
	"errors"
	"slices"
	"testing"

	"gatewright/schema/canon"
	"gatewright/schema/logbook"
	"pgregory.net/rapid"
)

// An engine that is fed and asked in any order answers as a fresh one that
// was given all at once: entries in any order and twice, instants back and
// forth, the plan in between.
func TestIncrementalEqualsBatch(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := drawSite(t, rt)
		order := rapid.Permutation(s.entries).Draw(rt, "order")
		e := New()
		e.SetHeads("plan", []string{"a", "b", "a"})
		other := drawSite(t, rt).plan
		planAt := rapid.IntRange(0, len(order)).Draw(rt, "plan at")
		for i := 0; i <= len(order); i++ {
			if i == planAt/2 { // the plan of before
				e.SetPlan(parsePlan(t, other), other)
			}
			if i == planAt {
				e.SetPlan(parsePlan(t, s.plan), s.plan)
			}
			if i < len(order) {
				if !e.Add(order[i]) || e.Add(order[i]) {
					rt.Fatal("Add must be true once")
				}
			}
			if rapid.IntRange(0, 2).Draw(rt, "ask") == 0 {
				now := s.nows.Draw(rt, "now")
				got := e.Evaluate(now).AppendJSON(nil)
				if i < planAt {
					continue
				}
				part := site{plan: s.plan, entries: order[:min(i+1, len(order))]}
				if want := part.fresh(t).Evaluate(now).AppendJSON(nil); !bytes.Equal(got, want) {
					rt.Fatalf("after %d entries at %d:\n%s", i+1, now, difference(got, want))
				}
			}
		}
		now := s.nows.Draw(rt, "now")
		got := e.Evaluate(now).AppendJSON(nil)
		if want := s.fresh(t).Evaluate(now).AppendJSON(nil); !bytes.Equal(got, want) {
			rt.Fatalf("at %d:\n%s", now, difference(got, want))
		}
		if !canon.Is(got) {
			rt.Fatalf("not canonical: %s", got)
		}
	})
}

// The order in which entries come does not matter, nor that they come twice,
// nor that the same is asked twice.
func TestOrderAndRepetition(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := drawSite(t, rt)
		now := s.nows.Draw(rt, "now")
		want := s.fresh(t).Evaluate(now).AppendJSON(nil)
		other := site{plan: s.plan, entries: rapid.Permutation(s.entries).Draw(rt, "order")}
		e := other.fresh(t)
		for range 2 {
			if got := e.Evaluate(now).AppendJSON(nil); !bytes.Equal(got, want) {
				rt.Fatalf("at %d:\n%s", now, difference(got, want))
			}
			for _, x := range s.entries {
				if e.Add(x) {
					rt.Fatal("Add must be true once")
				}
			}
			e.SetPlan(parsePlan(t, s.plan), s.plan)
		}
		if e.Len() != len(s.entries) || len(s.entries) > 0 && !e.Has(s.entries[0].ID) || e.Has("00000000000000000000000000") {
			rt.Fatal("Len and Has must tell the entries that were added")
		}
	})
}

// Doing a thing once more never takes away from what was done: of windows,
// which stay the same, without grace and while the gate is in service. (A window
// that was waived or in grace and now counts may push an older one out of the
// last fourteen.)
func TestDoingMoreIsNeverLess(t *testing.T) {
	counted := 0
	rapid.Check(t, func(rt *rapid.T) {
		s := drawSite(t, rt)
		s.plan = windowed(t, s.plan)
		s.entries = slices.DeleteFunc(s.entries, func(x *logbook.Entry) bool {
			return x.Kind == logbook.Park || x.Kind == logbook.Void || x.Replaces != ""
		})
		now := s.nows.Draw(rt, "now")
		more := site{plan: s.plan, entries: slices.Clone(s.entries)}
		more.entries = append(more.entries, entry(t, map[string]any{
			"id": string(entryID(1000)), "kind": "tick", "check": "c0", "at": s.nows.Draw(rt, "at"), "by": "a",
		}))
		before, after := completionOf(s.fresh(t).Evaluate(now)), completionOf(more.fresh(t).Evaluate(now))
		if after.N != before.N || after.Done < before.Done || after.Missed > before.Missed {
			rt.Fatalf("at %d: %+v, with one tick more %+v", now, before, after)
		}
		if after.N > 0 {
			counted++
		}
	})
	if counted == 0 {
		t.Error("no site had a window to count")
	}
}

// windowed is a plan in which check c0 has windows alone, without grace.
func windowed(t *testing.T, plan []byte) []byte {
	var p map[string]map[string]any
	if err := json.Unmarshal(plan, &p); err != nil {
		t.Fatal(err)
	}
	c := p["checks"]["c0"].(map[string]any)
	var periods []map[string]any
	if err := json.Unmarshal([]byte(c["cadence"].(string)), &periods); err != nil {
		t.Fatal(err)
	}
	for i, k := range periods {
		delete(k, "grace")
		delete(k, "mode")
		switch k["every"] {
		case "milking":
			delete(k, "n")
		case "passages", "event":
			periods[i] = map[string]any{"from": k["from"], "every": "day"}
		}
	}
	c["cadence"] = string(canonical(t, periods))
	return canonical(t, p)
}

func completionOf(o *Output) Completion {
	for _, c := range o.Completion {
		if c.Check == "c0" {
			return c
		}
	}
	return Completion{}
}

// A loaded engine goes on as the saved one, and saves to the same bytes.
func TestSaveLoad(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := drawSite(t, rt)
		n := rapid.IntRange(0, len(s.entries)).Draw(rt, "saved")
		part := site{plan: s.plan, entries: s.entries[:n]}
		e := part.fresh(t)
		if rapid.Bool().Draw(rt, "ask first") {
			e.Evaluate(s.nows.Draw(rt, "now"))
		}
		saved := e.Save()
		loaded, err := Load(saved)
		if err != nil {
			rt.Fatal(err)
		}
		if !bytes.Equal(loaded.Save(), saved) {
			rt.Fatal("a loaded engine saves to other bytes")
		}
		for _, x := range s.entries {
			loaded.Add(x)
		}
		now := s.nows.Draw(rt, "now")
		got, want := loaded.Evaluate(now).AppendJSON(nil), s.fresh(t).Evaluate(now).AppendJSON(nil)
		if !bytes.Equal(got, want) {
			rt.Fatalf("at %d:\n%s", now, difference(got, want))
		}

		damaged := slices.Clone(saved)
		i := rapid.IntRange(0, len(damaged)-1).Draw(rt, "damage at")
		damaged[i] ^= byte(rapid.IntRange(1, 255).Draw(rt, "damage"))
		if _, err := Load(damaged); !errors.Is(err, ErrDamaged) {
			rt.Fatalf("byte %d changed: %v", i, err)
		}
		if _, err := Load(saved[:i]); !errors.Is(err, ErrDamaged) {
			rt.Fatalf("cut at %d: %v", i, err)
		}
	})
}

// Nothing changes before the wake instant, and something does at it.
func TestWakeIsExact(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := drawSite(t, rt)
		now := s.nows.Draw(rt, "now")
		e := s.fresh(t)
		at := func(e *Engine, t int64) []byte {
			o := e.Evaluate(t)
			o.Basis.Now = 0
			return o.AppendJSON(nil)
		}
		for range 6 {
			o := e.Evaluate(now)
			here := at(e, now)
			last := now + 400*24*60*minuteMs
			if o.HasWake {
				if o.Wake <= now {
					rt.Fatalf("at %d: wake %d", now, o.Wake)
				}
				last = o.Wake - 1
				if then := at(s.fresh(t), o.Wake); sameButWake(here, then) {
					rt.Fatalf("at %d: nothing changes at wake %d\n%s", now, o.Wake, here)
				}
			}
			for _, x := range []int64{last, rapid.Int64Range(now, last).Draw(rt, "between")} {
				if then := at(s.fresh(t), x); !bytes.Equal(here, then) {
					rt.Fatalf("changed from %d to %d, before wake\n%s", now, x, difference(then, here))
				}
			}
			if !o.HasWake {
				return
			}
			now = o.Wake
		}
	})
}

// sameButWake compares two outputs up to their last member.
func sameButWake(a, b []byte) bool {
	cut := func(b []byte) []byte {
		if i := bytes.LastIndex(b, []byte(`,"wake":`)); i >= 0 {
			return b[:i]
		}
		return bytes.TrimSuffix(b, []byte("}"))
	}
	return bytes.Equal(cut(a), cut(b))
}

// Bytes that are not a saved state are refused, whatever they are.
func FuzzLoad(f *testing.F) {
	f.Add(New().Save())
	f.Add([]byte(magic))
	f.Fuzz(func(t *testing.T, b []byte) {
		if e, err := Load(b); err == nil {
			e.Evaluate(0).AppendJSON(nil)
		}
		if e, err := Load(seal(append([]byte(magic), b...))); err == nil { // past the checksum
			e.Evaluate(0).AppendJSON(nil)
		}
	})
}
