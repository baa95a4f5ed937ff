package rules

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/schema/num"
)

var alarmRuns = flag.Int("runs", 60, "runs of each simulation of false alarms; the package comment has the figures of 3000")

// firstAlarm is how many values there were of a run when take first found
// something; farthest when it did not.
func firstAlarm(farthest int, take func(i int) bool) int {
	for i := range farthest {
		if take(i) {
			return i + 1
		}
	}
	return farthest
}

// What the package comment says of false alarms: of processes in which nothing
// changes, through the rules' own steps, from a fixed seed. The share is held
// to within five standard errors.
func TestFalseAlarms(t *testing.T) {
	const day = int64(dayMs)
	drifts := func(sd float64, away num.Micro, horizon int) func(r *rand.Rand) func(i int) bool {
		return func(r *rand.Rand) func(i int) bool {
			l := &logbook.LimitPeriod{HasLow: true, Low: 7*num.One - away, HasHigh: true, High: 7*num.One + away, Horizon: horizon, Unit: "bar"}
			s := &values{}
			return func(i int) bool {
				f := &fact{at: int64(i) * day, hasValue: true, detail: &detail{value: rounded(7 + sd*r.NormFloat64()), unit: "bar"}}
				j := judgeReading(f, l)
				s.take(&j)
				return s.at(i).found
			}
		}
	}
	shifts := func(c logbook.Chart) func(r *rand.Rand) func(i int) bool {
		return func(r *rand.Rand) func(i int) bool {
			l := &logbook.LimitPeriod{Chart: c, Unit: "bar"}
			s, k := &values{}, &shift{}
			return func(i int) bool {
				f := &fact{at: int64(i) * day, hasValue: true, detail: &detail{value: rounded(7 + 0.1*r.NormFloat64()), unit: "bar"}}
				j := judgeReading(f, l)
				k.take(s.take(&j))
				return k.open
			}
		}
	}
	rates := func(p float64, low num.Micro, fall num.Micro) func(r *rand.Rand) func(i int) bool {
		return func(r *rand.Rand) func(i int) bool {
			g := &gate{plan: &logbook.Gate{Rates: []logbook.RatePeriod{{HasLow: low > 0, Low: low, Fall: fall}}}}
			s := &reads{gate: g}
			return func(i int) bool {
				read := int64(0)
				for range 150 {
					if r.Float64() < p {
						read++
					}
				}
				s.follow(&fact{at: int64(i) * day / 2, detail: &detail{passages: 150, read: read}})
				return s.at(i).found
			}
		}
	}
	for _, c := range []struct {
		name     string
		within   int     // values
		share    float64 // percent of 3000 runs with an alarm by then
		farthest int
		fresh    func(r *rand.Rand) func(i int) bool
	}{
		{"drift, limits 4 sigma away, horizon 366 days", 100, 29.8, 1000, drifts(0.1, 400000, 366)},
		{"drift, limits 4 sigma away, horizon 30 days", 100, 17.9, 1000, drifts(0.1, 400000, 30)},
		{"drift, limits 10 sigma away, horizon 30 days", 100, 0.8, 1000, drifts(0.1, 1000000, 30)},
		{"shift, individuals", 120, 30.9, 320, shifts(logbook.IndividualsChart)},
		{"shift, ewma", 120, 30.7, 320, shifts(logbook.EWMAChart)},
		{"shift, cusum", 120, 30.7, 320, shifts(logbook.CUSUMChart)},
		{"rate, truly at the low limit of 97 %", 730, 91.8, 1000, rates(0.97, 97*num.One, 0)},
		{"rate, half a point above the low limit", 730, 11.9, 1000, rates(0.975, 97*num.One, 0)},
		{"rate, fall of 1 point, truly 97 %", 730, 20.7, 1000, rates(0.97, 0, num.One)},
	} {
		r := rand.New(rand.NewPCG(20, 26))
		var lengths []int
		early := 0
		for range *alarmRuns {
			n := firstAlarm(c.farthest, c.fresh(r))
			if n <= c.within && n < c.farthest {
				early++
			}
			lengths = append(lengths, n)
		}
		slices.Sort(lengths)
		got := 100 * float64(early) / float64(*alarmRuns)
		if most := 5 * math.Sqrt(c.share*(100-c.share)*(1/float64(*alarmRuns)+1.0/3000)); math.Abs(got-c.share) > most {
			t.Errorf("%s: alarms in %.1f %% of the runs, want %.1f within %.1f", c.name, got, c.share, most)
		}
		t.Logf("%-45s %5.1f %% within %d values; half by %d (cut off at %d)", c.name, got, c.within, lengths[len(lengths)/2], c.farthest)
	}
}
