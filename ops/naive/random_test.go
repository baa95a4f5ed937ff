package naive

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"testing"

	"gatewright/schema/logbook"
)

// What the generator makes must be accepted as it stands, or a comparison on it
// would compare two ways of leaving things out.
func TestRandomSitesAreAccepted(t *testing.T) {
	kinds, rules, states := map[string]int{}, map[string]int{}, map[string]int{}
	for seed := uint64(0); seed < 300; seed++ {
		planJSON, entries, heads, nows := RandomSite(seed)
		again, _, _, _ := RandomSite(seed)
		if !bytes.Equal(planJSON, again) {
			t.Fatalf("seed %d gave two plans", seed)
		}
		p, err := logbook.ParsePlan(planJSON)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		for _, problem := range p.Problems {
			t.Errorf("seed %d: plan: %v", seed, problem)
		}
		for _, raw := range entries {
			e, err := logbook.ParseEntry(raw)
			if err != nil {
				t.Errorf("seed %d: %s: %v", seed, raw, err)
				continue
			}
			kinds[string(e.Kind)]++
		}
		s, err := Open(planJSON, entries, heads)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		for _, now := range nows {
			var out struct {
				Due        []struct{ State, Why string }
				Flags      []struct{ Key string }
				Completion []struct{ Done, Late, Missed int }
			}
			if err := json.Unmarshal(s.Evaluate(now), &out); err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			for _, d := range out.Due {
				states[d.Why+" "+d.State]++
			}
			for _, f := range out.Flags {
				rules[f.Key]++
			}
			for _, c := range out.Completion {
				states["done"] += c.Done
				states["late"] += c.Late
				states["missed"] += c.Missed
			}
		}
	}
	for _, want := range []string{"cadence parked", "cadence overdue", "cadence late", "cadence done", "cadence due", "cadence open", "recheck due", "recheck overdue", "done", "late", "missed"} {
		if states[want] < 20 {
			t.Errorf("state %q occurs %d times", want, states[want])
		}
	}
	for _, want := range []string{"overdue", "limit.low", "limit.high", "near", "bad", "disagree", "manual", "fault", "clock", "odd"} {
		if rules["flag."+want] < 20 {
			t.Errorf("flag %q occurs %d times", want, rules["flag."+want])
		}
	}
	t.Log(kinds)
	t.Log(rules)
	t.Log(states)
}

// Nothing may change before the wake instant, wherever one looks.
func TestNothingChangesBeforeWake(t *testing.T) {
	for seed := uint64(1000); seed < 1060; seed++ {
		rng := rand.New(rand.NewPCG(seed, 1))
		planJSON, entries, heads, nows := RandomSite(seed)
		s, err := Open(planJSON, entries, heads)
		if err != nil {
			t.Fatal(err)
		}
		for _, now := range nows {
			var out struct{ Wake *int64 }
			if err := json.Unmarshal(s.Evaluate(now), &out); err != nil {
				t.Fatal(err)
			}
			until := now + 150*day
			if out.Wake != nil {
				until = *out.Wake
			}
			body := write(s.body(now))
			for range 15 {
				at := now + rng.Int64N(until-now)
				if !bytes.Equal(write(s.body(at)), body) {
					t.Fatalf("seed %d, now %d: changed by %d, before %d", seed, now, at, until)
				}
			}
			if !bytes.Equal(write(s.body(until-1)), body) {
				t.Fatalf("seed %d, now %d: changed by %d", seed, now, until-1)
			}
		}
	}
}
