package naive

import (
	"math"
	"slices"
	"sort"

	"gatewright/schema/chart"
	"gatewright/schema/num"
	"gatewright/schema/trend"
)

// cut is where a series begins anew: by an entry, or by the plan (no id).
type cut struct {
	at int64
	id string
}

// breaks cut the series of a check's values into runs, by (at, id).
func (m *moment) breaks(id string) []cut {
	list := []cut{}
	c := m.plan.Checks[id]
	for k := 1; k < len(c.limits); k++ {
		if *c.limits[k].Unit != *c.limits[k-1].Unit {
			list = append(list, cut{at: c.limits[k].From})
		}
	}
	for _, e := range m.kind("fitted") {
		if c.Part != "" && e.Part == c.Part {
			list = append(list, cut{e.At, e.ID})
		}
	}
	for _, e := range m.done[id] {
		if e.Baseline {
			list = append(list, cut{e.At, e.ID})
		}
	}
	sort.Slice(list, func(i, j int) bool {
		a, b := list[i], list[j]
		return a.at < b.at || a.at == b.at && a.id < b.id
	})
	return list
}

// runOf are the values up to and including the i-th that no break parts from
// it.
func runOf(values []judged, breaks []cut, i int) []judged {
	run := []judged{}
	for _, v := range values[:i+1] {
		parted := slices.ContainsFunc(breaks, func(b cut) bool { return v.At < b.at && b.at <= values[i].At })
		if !parted {
			run = append(run, v)
		}
	}
	return run
}

// withBreaks puts the breaks between the steps of values, each before the
// values of its instant.
func withBreaks(steps []step, breaks []cut) []step {
	all := []step{}
	for _, b := range breaks {
		s := step{at: b.at, clears: true}
		if b.id != "" {
			s.entries = []string{b.id}
		}
		all = append(all, s)
	}
	all = append(all, steps...)
	sort.SliceStable(all, func(i, j int) bool { return all[i].at < all[j].at })
	return all
}

func (m *moment) drift(id string) []*flag {
	values, breaks := m.values(id), m.breaks(id)
	steps := []step{}
	for i, r := range values {
		s := step{at: r.At, entries: []string{r.ID}}
		s.variant, s.params, s.found = drifting(runOf(values, breaks, i))
		s.clears = !s.found
		steps = append(steps, s)
	}
	_, stop := m.plan.live(id)
	return m.episodes("drift", id, "watch", stop, withBreaks(steps, breaks))
}

// farthest is how many days on a line is still followed.
const farthest = 36525

// drifting judges the last value of a run by those before it.
func drifting(run []judged) (variant string, params object, ok bool) {
	r := run[len(run)-1]
	run = run[max(0, len(run)-20):]
	if r.side != "" || r.limits.Horizon == 0 || len(run) < 8 {
		return "", nil, false
	}
	in := trend.RobustInput{Confidence: 0.95}
	days := func(at int64) float64 { return float64(at-run[0].At) / 86_400_000 }
	for _, v := range run {
		in.X = append(in.X, days(v.At))
		in.Y = append(in.Y, num.Micro(*v.Value).Float())
	}
	line, err := trend.Robust(in)
	if err != nil || !(line.PValue < 0.01) || line.Slope == 0 {
		return "", nil, false
	}
	limit, sooner, later := r.limits.High, line.SlopeHigh, line.SlopeLow
	variant = "high"
	if line.Slope < 0 {
		limit, sooner, later = r.limits.Low, line.SlopeLow, line.SlopeHigh
		variant = "low"
	}
	if limit == nil {
		return "", nil, false
	}
	target := num.Micro(*limit).Float()
	crosses := (target - line.Intercept) / line.Slope
	if !(crosses <= days(r.At)+float64(r.limits.Horizon)) {
		return "", nil, false
	}
	instant := func(c float64) int64 {
		if c < days(r.At) {
			return max(floorDiv(r.At+minute/2, minute)*minute, r.At)
		}
		t := int64(math.Floor((float64(c*86_400_000)+float64(run[0].At))/60_000+0.5)) * minute
		return max(t, r.At)
	}
	params = object{
		"crosses": instant(crosses), "limit": *limit, "n": int64(len(run)),
		"slope": millionths(line.Slope), "value": *r.Value,
	}
	r.putUnit(params)
	if sooner != nil && later != nil {
		x, y := middle(in.X), middle(in.Y)
		end := func(name string, slope float64) {
			c := (target - (y - float64(slope*x))) / slope
			if slope*line.Slope > 0 && c <= days(r.At)+farthest {
				params[name] = instant(c)
			}
		}
		end("from", *sooner)
		end("to", *later)
	}
	return variant, params, true
}

// middle is the median.
func middle(list []float64) float64 {
	list = slices.Clone(list)
	slices.Sort(list)
	n := len(list)
	if n%2 == 1 {
		return list[n/2]
	}
	return (list[n/2-1] + list[n/2]) / 2
}

// millionths rounds a number that was worked out, halves up; beyond what a
// number may be it is cut.
func millionths(f float64) micro {
	f = min(max(f, -1_000_000_000), 1_000_000_000)
	return micro(math.Floor(float64(f*1_000_000) + 0.5))
}

func (m *moment) shift(id string) []*flag {
	values, breaks := m.values(id), m.breaks(id)
	steps := []step{}
	for i, r := range values {
		s := step{at: r.At, entries: []string{r.ID}}
		s.variant, s.params, s.found = shifted(runOf(values, breaks, i))
		s.clears = !s.found
		steps = append(steps, s)
	}
	_, stop := m.plan.live(id)
	return m.episodes("shift", id, "watch", stop, withBreaks(steps, breaks))
}

// shifted judges the last value of a run: the charts are drawn anew for each.
func shifted(run []judged) (variant string, params object, ok bool) {
	r := run[len(run)-1]
	if len(run) <= 20 || r.limits.Chart == "" {
		return "", nil, false
	}
	base := []float64{}
	for _, v := range run[:20] {
		base = append(base, num.Micro(*v.Value).Float())
	}
	target, _, sigma := chart.Baseline(base)
	sigma = max(sigma, num.Micro(run[19].limits.U).Float())
	if sigma == 0 {
		return "", nil, false
	}
	individuals := chart.DesignedIndividuals(target, sigma)
	ewma := chart.DesignedEWMA(target, sigma)
	cusum := chart.DesignedCUSUM(target, sigma)
	signal := map[string]int{}
	for _, v := range run[20:] {
		y := num.Micro(*v.Value).Float()
		signal["individuals"] = individuals.Step(y)
		signal["ewma"] = ewma.Step(y)
		signal["cusum"] = cusum.Step(y)
	}
	switch signal[r.limits.Chart] {
	case 1:
		variant = "high"
	case -1:
		variant = "low"
	default:
		return "", nil, false
	}
	params = object{"chart": r.limits.Chart, "sigma": millionths(sigma), "target": millionths(target), "value": *r.Value}
	r.putUnit(params)
	return variant, params, true
}
