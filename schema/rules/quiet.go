package rules

import (
	"slices"
	"sort"

	"gatewright/schema/arrange"
	"gatewright/schema/logbook"
)

const (
	quietSite = ruleQuiet + "/site"

	// A device that was regular is told after so long, for so long at most.
	quietDevice = 7 * dayMs
	quietLong   = 30 * dayMs
	// Regular is on so many UTC dates in so long.
	regularDates = 5
	regularSpan  = 14 * dayMs
)

// gap is two entries one after the other, long apart.
type gap struct{ from, to *fact }

// people is a list of the active entries by persons, of all or of one device,
// and of the gaps in it that are longer than long.
type people struct {
	long   int64 // 0 = none is
	active []*fact
	gaps   []gap
}

// changed takes note that f became active or stopped being so.
func (p *people) changed(f *fact) {
	n := len(p.active)
	if f.active && (n == 0 || p.active[n-1].before(f)) {
		p.active = append(p.active, f)
		if n > 0 {
			p.open(p.active[n-1], f)
		}
		return
	}
	i := sort.Search(n, func(i int) bool { return !p.active[i].before(f) })
	var before, after *fact
	if i > 0 {
		before = p.active[i-1]
	}
	if f.active {
		if i < n {
			after = p.active[i]
		}
		p.active = slices.Insert(p.active, i, f)
		p.shut(before, after)
		p.open(before, f)
		p.open(f, after)
		return
	}
	if i+1 < n {
		after = p.active[i+1]
	}
	p.active = slices.Delete(p.active, i, i+1)
	p.shut(before, f)
	p.shut(f, after)
	p.open(before, after)
}

func (p *people) find(from *fact) int {
	return sort.Search(len(p.gaps), func(i int) bool { return !p.gaps[i].from.before(from) })
}

// open adds the gap between two neighbours, if it is one.
func (p *people) open(from, to *fact) {
	if p.long == 0 || from == nil || to == nil || to.at-from.at <= p.long {
		return
	}
	p.gaps = slices.Insert(p.gaps, p.find(from), gap{from, to})
}

// shut takes the gap between two that are neighbours no more.
func (p *people) shut(from, to *fact) {
	if p.long == 0 || from == nil || to == nil || to.at-from.at <= p.long {
		return
	}
	i := p.find(from)
	p.gaps = slices.Delete(p.gaps, i, i+1)
}

// set changes what is a gap.
func (p *people) set(long int64) {
	p.long, p.gaps = long, nil
	for i := 1; i < len(p.active); i++ {
		p.open(p.active[i-1], p.active[i])
	}
}

// last is the last entry, or nil.
func (p *people) last() *fact {
	if n := len(p.active); n > 0 {
		return p.active[n-1]
	}
	return nil
}

// each calls do for the gaps whose end is later than t, the latest first; the
// first has no end.
func (p *people) each(t int64, do func(from, to *fact)) {
	if last := p.last(); last != nil {
		do(last, nil)
	}
	for i := len(p.gaps) - 1; i >= 0 && p.gaps[i].to.at > t; i-- {
		do(p.gaps[i].from, p.gaps[i].to)
	}
}

// yardQuiet is the subject of the site: the flag quiet/site.
type yardQuiet struct {
	fragment *fragment
	people   people
}

func (q *yardQuiet) view(e *Engine, now int64) view {
	v := view{next: never}
	if e.plan == nil || q.people.long == 0 {
		return v
	}
	q.people.each(now-keepMs, func(from, to *fact) {
		end := int64(never)
		if to != nil {
			end = to.at
		}
		for _, use := range e.inUse(from.at+q.people.long, end) {
			ep := quietEpisode("site", Watch, from, to, use)
			e.show(&v, now, &ep, "", "", "")
		}
	})
	return v
}

func quietEpisode(target string, s Severity, from, to *fact, when interval) episode {
	ep := episode{
		rule: ruleQuiet, target: target, severity: s, raised: when.from, cleared: when.to,
		params:  []Param{wholeParam("since", from.at)},
		entries: []logbook.EntryID{from.id},
	}
	if to != nil && when.to == to.at {
		ep.entries = append(ep.entries, to.id)
	}
	return ep
}

// inUse is when in [from, to) any gate is in use, in order and apart.
func (e *Engine) inUse(from, to int64) []interval {
	if from >= to {
		return nil
	}
	var all []interval
	for _, id := range e.plan.GateIDs {
		p, g := e.plan.Gates[id], e.gate(id)
		at, end := max(from, p.Since), min(to, retiredAt(p.Retired))
		parks := g.intervals()
		for _, k := range parks[sort.Search(len(parks), func(i int) bool { return parks[i].to > at }):] {
			if k.from >= end {
				break
			}
			if at < k.from {
				all = append(all, interval{at, k.from})
			}
			at = max(at, k.to)
		}
		if at < end {
			all = append(all, interval{at, end})
		}
	}
	arrange.By(all, func(a, b interval) int {
		if a.from < b.from {
			return -1
		}
		return 1
	})
	var out []interval
	for _, x := range all {
		if n := len(out); n > 0 && x.from <= out[n-1].to {
			out[n-1].to = max(out[n-1].to, x.to)
			continue
		}
		out = append(out, x)
	}
	return out
}

// device is the subject of one device: the flag quiet/DEVICE.
type device struct {
	fragment *fragment
	id       string
	people   people
}

func (d *device) view(e *Engine, now int64) view {
	v := view{next: never}
	if e.plan == nil || e.plan.Site.QuietAfter == 0 {
		return v
	}
	// A flag may be cleared by time alone, long before the next entry.
	d.people.each(now-keepMs, func(from, to *fact) {
		if !d.regular(from) {
			return
		}
		end := from.at + quietDevice + quietLong
		if to != nil {
			end = min(end, to.at)
		}
		ep := quietEpisode(d.id, Know, from, to, interval{from.at + quietDevice, end})
		e.show(&v, now, &ep, "", "", "")
	})
	return v
}

// regular says whether the device was used on enough dates up to f.
func (d *device) regular(f *fact) bool {
	dates, before := 0, int64(never)
	i := sort.Search(len(d.people.active), func(i int) bool { return f.before(d.people.active[i]) })
	for i--; i >= 0 && d.people.active[i].at > f.at-regularSpan; i-- {
		date := d.people.active[i].at / dayMs // instants are after 1970
		if date == before {
			continue
		}
		before = date
		if dates++; dates == regularDates {
			return true
		}
	}
	return false
}
