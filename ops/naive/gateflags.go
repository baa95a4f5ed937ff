package naive

import (
	"math/big"
	"slices"
	"sort"

	"gatewright/schema/rates"
)

// rates tells of gates that read too few tags.
func (m *moment) rates() []*flag {
	list := []*flag{}
	for _, id := range sortedKeys(m.plan.Gates) {
		g := m.plan.Gates[id]
		cuts := []cut{}
		for _, e := range m.kind("fitted") {
			if p := m.plan.Parts[e.Part]; p != nil && p.Gate == id && p.Type == "reader" {
				cuts = append(cuts, cut{e.At, e.ID})
			}
		}
		run := []*entry{}
		steps := []step{}
		for _, e := range m.kind("milking") {
			if e.Gate != id || e.Passages == 0 || e.At < g.Learning {
				continue
			}
			// What a break parts from this one is of no more use.
			run = slices.DeleteFunc(run, func(old *entry) bool {
				return slices.ContainsFunc(cuts, func(c cut) bool { return old.At < c.at && c.at <= e.At })
			})
			run = append(run, e)
			s := step{at: e.At, entries: []string{e.ID}}
			s.variant, s.params, s.found = lowRate(run, g.ratesAt(e.At))
			s.clears = !s.found
			steps = append(steps, s)
		}
		for _, f := range m.episodes("rate", id, "watch", g.end(), withBreaks(steps, cuts)) {
			list = append(list, m.ofGate(f, id))
		}
	}
	return list
}

// ofGate is a flag of a gate, cleared at the latest by its retirement.
func (m *moment) ofGate(f *flag, id string) *flag {
	f.fields["gate"] = id
	if stop := m.plan.Gates[id].end(); f.cleared > stop {
		f.cleared = stop
		if stop <= m.now {
			f.fields["cleared"] = stop
		}
	}
	return f
}

// share of passages that were read.
type share struct{ read, passages int64 }

func shareOf(run []*entry) share {
	var s share
	for _, e := range run {
		s.read += e.Read
		s.passages += e.Passages
	}
	return s
}

func (s share) percent() *big.Rat { return big.NewRat(100*s.read, s.passages) }

// lowRate judges the last six of a run.
func lowRate(run []*entry, in *ratesPeriod) (variant string, params object, ok bool) {
	if in == nil || len(run) < 6 {
		return "", nil, false
	}
	six := shareOf(run[len(run)-6:])
	params = object{"read": six.read, "passages": six.passages, "rate": ratMillionths(six.percent())}
	if in.Low != nil {
		wilson, err := rates.Interval(rates.IntervalInput{Hits: six.read, Trials: six.passages, Confidence: 0.99, Method: "wilson"})
		if err == nil && wilson.High*100 < float64(*in.Low)/1_000_000 {
			params["low"] = *in.Low
			return "low", params, true
		}
	}
	fall := micro(1_000_000)
	if in.Fall != nil {
		fall = *in.Fall
	}
	if fall == 0 || len(run) < 28+6 {
		return "", nil, false
	}
	base := shareOf(run[:28])
	fell := new(big.Rat).Sub(base.percent(), six.percent())
	if fell.Cmp(big.NewRat(int64(fall), 1_000_000)) < 0 {
		return "", nil, false
	}
	newcombe, err := rates.Difference(rates.DifferenceInput{HitsA: base.read, TrialsA: base.passages, HitsB: six.read, TrialsB: six.passages, Confidence: 0.999})
	if err != nil || !(newcombe.Low > 0) {
		return "", nil, false
	}
	params["base"] = ratMillionths(base.percent())
	return "fall", params, true
}

// ratMillionths rounds half up; r is not negative.
func ratMillionths(r *big.Rat) micro {
	twice := new(big.Rat).Mul(r, big.NewRat(2_000_000, 1))
	twice.Add(twice, big.NewRat(1, 1))
	floor := new(big.Int).Div(twice.Num(), twice.Denom())
	return micro(floor.Div(floor, big.NewInt(2)).Int64())
}

// repeats tells of faults that come back.
func (m *moment) repeats() []*flag {
	type group struct{ seen, part string }
	type stretch struct {
		span
		faults []*entry // of the group, up to the one that ends the stretch
	}
	list := []*flag{}
	for _, id := range sortedKeys(m.plan.Gates) {
		stop := m.plan.Gates[id].end()
		groups := map[group][]*entry{}
		stretches := []stretch{}
		for _, e := range m.kind("fault") {
			if e.Gate != id {
				continue
			}
			of := group{e.Seen, e.Part}
			groups[of] = append(groups[of], e)
			faults := groups[of]
			if n := len(faults); n >= 3 {
				s := stretch{span{e.At, min(faults[n-3].At+30*day, stop)}, slices.Clone(faults)}
				if s.from < s.to {
					stretches = append(stretches, s)
				}
			}
		}
		for len(stretches) > 0 { // they are in the order of their beginnings
			whole, latest := stretches[0].span, stretches[0]
			entries := []string{}
			for len(stretches) > 0 && stretches[0].from <= whole.to {
				latest = stretches[0]
				whole.to = max(whole.to, latest.to)
				for _, e := range latest.faults[len(latest.faults)-3:] {
					entries = append(entries, e.ID)
				}
				stretches = stretches[1:]
			}
			last := latest.faults[len(latest.faults)-1]
			n, since := int64(0), never
			for _, e := range latest.faults {
				if e.At > last.At-30*day {
					n++
					since = min(since, e.At)
				}
			}
			f := m.raise("repeat", id, "flag.repeat", "watch", whole.from, whole.to, entries, object{"seen": last.Seen, "n": n, "since": since})
			f.fields["gate"] = id
			list = append(list, f)
		}
	}
	return list
}

// unite joins spans that overlap or touch, leaving out empty ones.
func unite(spans []span) []span {
	spans = slices.DeleteFunc(slices.Clone(spans), func(s span) bool { return s.from >= s.to })
	sort.Slice(spans, func(i, j int) bool { return spans[i].from < spans[j].from })
	list := []span{}
	for _, s := range spans {
		if n := len(list); n > 0 && s.from <= list[n-1].to {
			list[n-1].to = max(list[n-1].to, s.to)
		} else {
			list = append(list, s)
		}
	}
	return list
}
