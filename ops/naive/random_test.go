package naive

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"slices"
	"sort"
	"strings"
	"testing"

	"gatewright/schema/logbook"
)

// What the generator makes must be accepted as it stands, or a comparison on it
// would compare two ways of leaving things out.
func TestRandomSitesAreAccepted(t *testing.T) {
	for seed := uint64(0); seed < 300; seed++ {
		planJSON, entries, _, _ := RandomSite(seed)
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
			if _, err := logbook.ParseEntry(raw); err != nil {
				t.Errorf("seed %d: %s: %v", seed, raw, err)
			}
		}
	}
}

// Everything that the rules can say must be said on random sites, or their
// agreement would mean nothing where it is not.
func TestRandomSitesSayEverything(t *testing.T) {
	said := map[string]int{}
	for seed := uint64(0); seed < 900; seed++ {
		planJSON, entries, heads, nows := RandomSite(seed)
		s, err := Open(planJSON, entries, heads)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		for _, now := range nows {
			var out struct {
				Due        []struct{ Check, State, Why string }
				Flags      []struct{ Rule, Key, Subject, Under string }
				Completion []struct{ Done, Late, Missed int }
			}
			if err := json.Unmarshal(write(s.body(now)), &out); err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			for _, d := range out.Due {
				how := ""
				if c := s.plan.Checks[d.Check]; d.Why == "cadence" {
					p := c.cadence[c.periodAt(now)]
					how = p.Mode
					if p.Mode != "last" && p.Every != "day" && p.Every != "week" && p.Every != "month" {
						how = p.Every
					}
					how += " "
					said["kind "+p.Every]++
				}
				said[d.Why+" "+how+d.State]++
			}
			for _, f := range out.Flags {
				what := f.Key
				if f.Rule == "quiet" && f.Subject != "quiet/site" {
					what += " device"
				}
				said[what]++
				if cause, _, ok := strings.Cut(f.Under, "/"); ok {
					said[f.Rule+" under "+cause]++
				}
			}
			for _, c := range out.Completion {
				said["done"] += c.Done
				said["late"] += c.Late
				said["missed"] += c.Missed
			}
		}
	}
	wants := []string{"done", "late", "missed", "recheck due", "recheck overdue", "flag.quiet device"}
	for _, every := range []string{"milking", "day", "week", "month", "event", "passages", "calendar"} {
		wants = append(wants, "kind "+every)
	}
	for _, how := range []string{"fixed", "milking", "calendar", "last"} {
		for _, state := range []string{"parked", "overdue", "late", "done", "due", "open"} {
			wants = append(wants, "cadence "+how+" "+state)
		}
	}
	for _, state := range []string{"parked", "overdue", "late", "due"} {
		wants = append(wants, "cadence event "+state)
	}
	for _, state := range []string{"parked", "overdue", "late"} {
		wants = append(wants, "cadence passages "+state)
	}
	for _, key := range []string{
		"overdue", "limit.low", "limit.high", "doubt.low", "doubt.high", "near", "bad", "disagree", "manual", "fault", "clock", "odd",
		"drift.low", "drift.high", "shift.low", "shift.high", "rate.low", "rate.fall", "repeat", "quiet", "altered", "visit",
	} {
		wants = append(wants, "flag."+key)
	}
	for rule, list := range causes {
		for _, cause := range list {
			wants = append(wants, rule+" under "+cause)
		}
	}
	// A reading inside ends what was outside or in doubt, so near never meets
	// either; the order of causes names them all the same.
	for _, never := range []string{"near under limit", "near under doubt"} {
		wants = slices.DeleteFunc(wants, func(want string) bool { return want == never })
		if said[never] > 0 {
			t.Errorf("%q is said", never)
		}
	}
	wants = append(wants, "quiet under quiet", "overdue under quiet", "fault under repeat")
	sort.Strings(wants)
	for _, want := range wants {
		t.Logf("%6d %s", said[want], want)
		if said[want] < 5 {
			t.Errorf("%q is said %d times", want, said[want])
		}
	}
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
