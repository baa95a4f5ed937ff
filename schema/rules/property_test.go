package rules

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"gatewright/schema/canon"
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
