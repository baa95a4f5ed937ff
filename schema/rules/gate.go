package rules

import (
	"sort"

	"gatewright/schema/logbook"
)

// gate is when one gate was out of service, which its checks ask for, and
// three subjects: the flags manual, repeat and rate.
type gate struct {
	id     string
	plan   *logbook.Gate
	checks []*check

	fragment *fragment // manual
	modes    factList
	parkings factList

	stale   bool
	parks   []interval
	repeats *repeats
	reads   *reads
	herd    herd
}

// interval is [from, to); to is never while it lasts.
type interval struct{ from, to int64 }

// intervals is when the gate was out of service, in order, apart from one
// another (they may touch).
func (g *gate) intervals() []interval {
	if !g.stale {
		return g.parks
	}
	g.stale = false
	g.parks = nil
	out, from := false, int64(0)
	g.parkings.active(func(f *fact) {
		switch {
		case f.out && !out:
			out, from = true, f.at
		case !f.out && out:
			out = false
			if from < f.at {
				g.parks = append(g.parks, interval{from, f.at})
			}
		}
	})
	if out {
		g.parks = append(g.parks, interval{from, never})
	}
	return g.parks
}

// out says whether the gate is out of service now: entries not in force do not
// count, so the last interval tells.
func (g *gate) out() bool {
	p := g.intervals()
	return len(p) > 0 && p[len(p)-1].to == never
}

// outWithin says whether the gate is out of service at any instant of the
// closed span.
func (g *gate) outWithin(from, to int64) bool {
	p := g.intervals()
	i := sort.Search(len(p), func(i int) bool { return p[i].from > to })
	return i > 0 && p[i-1].to > from
}

// outAfter is when the gate first goes out of service after t, or never.
func (g *gate) outAfter(t int64) int64 {
	p := g.intervals()
	i := sort.Search(len(p), func(i int) bool { return p[i].from > t })
	if i == len(p) {
		return never
	}
	return p[i].from
}

// view shows the gate left in manual. It begins at the last time that it was
// put to automatic so long ago that nothing before is listed any more.
func (g *gate) view(e *Engine, now int64) view {
	v := view{next: never}
	if g.plan == nil {
		return v
	}
	first := 0
	for i := g.modes.from(now - keepMs + 1); i > 0; i-- {
		if f := g.modes.list[i-1]; f.active && f.mode == "automatic" {
			first = i
			break
		}
	}
	var manual *fact
	for _, f := range g.modes.list[first:] {
		switch {
		case !f.active:
		case f.mode == "manual" && manual == nil:
			manual = f
		case f.mode == "automatic" && manual != nil:
			g.manual(e, &v, now, manual, f)
			manual = nil
		}
	}
	if manual != nil {
		g.manual(e, &v, now, manual, nil)
	}
	return v
}

// manual shows the stretches between two mode entries in which the gate was in
// service and had been in manual for longer than is allowed.
func (g *gate) manual(e *Engine, v *view, now int64, manual, automatic *fact) {
	from, to := manual.at, retiredAt(g.plan.Retired)
	if manual.check == "" {
		from += int64(e.plan.Site.ManualAfter) * minuteMs
	}
	if automatic != nil {
		to = min(to, automatic.at)
	}
	stretch := func(from, to int64) {
		if from >= to {
			return
		}
		ep := episode{
			rule: ruleManual, target: g.id, severity: Act, raised: from, cleared: to,
			params:  []Param{wholeParam("since", manual.at)},
			entries: []logbook.EntryID{manual.id},
		}
		if automatic != nil && to == automatic.at {
			ep.entries = append(ep.entries, automatic.id)
		}
		e.show(v, now, &ep, g.id, "", "")
	}
	for _, p := range g.intervals() {
		if p.to <= from {
			continue
		}
		stretch(from, min(to, p.from))
		from = max(from, p.to)
	}
	stretch(from, to)
}
