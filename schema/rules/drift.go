package rules

import (
	"math"
	"slices"

	"gatewright/schema/num"
	"gatewright/schema/trend"
)

// The drift rule looks at no more than so many values of a run, and at no
// fewer.
const (
	driftMost  = 20
	driftLeast = 8
	driftP     = 0.01
	dayMs      = 24 * 60 * minuteMs
)

// value is a judged number of a check's run.
type value struct {
	judgement
	first  int // index of the first value of its run
	broke  cut // the first break between it and the value before, if any
	broken bool
	drift  verdict
}

// values are those of one check.
type values struct {
	list []value
	cuts cuts
}

func (s *values) size() int        { return len(s.list) }
func (s *values) fact(i int) *fact { return s.list[i].f }

func (s *values) after(i int) (cut, bool) {
	if i+1 == len(s.list) {
		return s.cuts.ahead()
	}
	return s.list[i+1].broke, s.list[i+1].broken
}

// take adds the next value; broken says that a break came before it.
func (s *values) take(j *judgement) (x *value) {
	n := len(s.list)
	s.list = append(s.list, value{judgement: *j, first: n})
	x = &s.list[n]
	x.broke, x.broken = s.cuts.pass(j.f.at)
	if !x.broken && n > 0 {
		x.first = s.list[n-1].first
	}
	return x
}

// at is whether value i drifts.
func (s *values) at(i int) *verdict {
	x := &s.list[i]
	if !x.drift.known {
		x.drift.known = true
		s.judgeDrift(i)
	}
	return &x.drift
}

func (s *values) judgeDrift(i int) {
	r := &s.list[i]
	from := max(r.first, i+1-driftMost)
	n := i + 1 - from
	if r.limits.Horizon == 0 || r.isOutside() || n < driftLeast {
		return
	}
	var xs, ys [driftMost]float64
	start := s.list[from].f.at
	for k := range n {
		f := s.list[from+k].f
		xs[k] = float64(f.at-start) / dayMs
		ys[k] = f.value.Float()
	}
	line, err := trend.Robust(trend.RobustInput{X: xs[:n], Y: ys[:n], Confidence: 0.95})
	if err != nil || !(line.PValue < driftP) || line.Slope == 0 {
		return // readings all at one instant have no slope
	}
	variant, limit := "high", r.limits.High
	if line.Slope < 0 {
		variant, limit = "low", r.limits.Low
		if !r.limits.HasLow {
			return
		}
	} else if !r.limits.HasHigh {
		return
	}
	at := xs[n-1]
	crosses := (limit.Float() - line.Intercept) / line.Slope
	if !(crosses <= at+float64(r.limits.Horizon)) {
		return
	}
	instant := func(days float64) int64 {
		if days < at { // it may be too long ago for a number: it counts as r's
			return max((r.f.at+minuteMs/2)/minuteMs*minuteMs, r.f.at)
		}
		minutes := math.Floor((float64(days*dayMs)+float64(start))/minuteMs + 0.5)
		return max(int64(minutes)*minuteMs, r.f.at)
	}
	ps := []Param{
		microParam("limit", limit), wholeParam("n", int64(n)), microParam("slope", rounded(line.Slope)),
		textParam("unit", r.limits.Unit), microParam("value", r.f.value),
		wholeParam("crosses", instant(crosses)),
	}
	if line.SlopeLow != nil {
		sooner, later := *line.SlopeHigh, *line.SlopeLow
		if line.Slope < 0 {
			sooner, later = later, sooner
		}
		slices.Sort(ys[:n])
		middleX, middleY := median(xs[:n]), median(ys[:n])
		for _, end := range [...]struct {
			name  string
			slope float64
		}{{"from", sooner}, {"to", later}} {
			if end.slope == 0 || (end.slope > 0) != (line.Slope > 0) {
				continue
			}
			c := (limit.Float() - (middleY - float64(end.slope*middleX))) / end.slope
			if c <= at+driftFarthest {
				ps = append(ps, wholeParam(end.name, instant(c)))
			}
		}
	}
	r.drift.found, r.drift.variant, r.drift.params = true, variant, sortParams(ps)
}

// driftFarthest is how many days after the value an end may lie to be told.
const driftFarthest = 36525

// rounded is a number that was worked out, to the millionth, half up, and no
// further from 0 than any number of the log.
func rounded(f float64) num.Micro {
	switch m := math.Floor(float64(f*1e6) + 0.5); {
	case m >= float64(num.MicroMax):
		return num.MicroMax
	case m <= -float64(num.MicroMax):
		return -num.MicroMax
	default:
		return num.Micro(m)
	}
}

// median is the middle of sorted numbers, or the mean of the middle two.
func median(sorted []float64) float64 {
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	return float64(0.5*sorted[n/2-1]) + float64(0.5*sorted[n/2])
}
