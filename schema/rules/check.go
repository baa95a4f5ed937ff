package rules

import (
	"slices"
	"sort"

	"gatewright/schema/cadence"
	"gatewright/schema/logbook"
)

// check is the subject of one check: its due item, its completion, and the
// flags overdue, limit, near, bad and disagree.
type check struct {
	fragment   *fragment
	id         string
	plan       *logbook.Check // nil when the plan has none of this id
	gate       *gate
	start, end int64 // live in [start, end)
	periods    []period
	entries    factList // all that name it and could be doings

	stale    bool // doings and findings have to be worked out again
	doings   []*fact
	findings []episode // limit, near, bad, disagree

	// What the doings up to some point did to the obligations of a cadence
	// that counts from the last one: chain[chainEnd[i-1]:chainEnd[i]] belongs
	// to chainDoings[i].
	chain       []obligation
	chainEnd    []int
	chainDoings []*fact
	chainParks  int // version of the gate's intervals
	chainValid  bool
}

// period is a cadence period, in force from <= t < until.
type period struct {
	from, until int64
	fixed       bool
	grace       int64
	bounds      *boundaries
	rule        cadence.Rule
	milkings    int // how many ahead, when it counts milkings from the last
}

func (c *check) setPlan(e *Engine, p *logbook.Check) {
	c.plan, c.gate = p, e.gate(p.Gate)
	c.gate.checks = append(c.gate.checks, c)
	g := e.plan.Gates[p.Gate]
	c.start = max(p.Since, g.Since)
	c.end = min(retiredAt(p.Retired), retiredAt(g.Retired))
	if part := e.plan.Parts[p.Part]; p.Part != "" {
		c.start = max(c.start, part.Since)
		c.end = min(c.end, retiredAt(part.Retired))
	}
	c.periods = nil
	for i := range p.Cadence {
		k := &p.Cadence[i]
		q := period{
			from: k.From, until: never, fixed: k.Mode != logbook.LastCadence,
			grace: int64(k.Grace) * minuteMs, bounds: e.boundariesOf(k), rule: ruleOf(k),
		}
		if i+1 < len(p.Cadence) {
			q.until = p.Cadence[i+1].From
		}
		if k.Every == logbook.EveryMilking {
			q.milkings = max(k.N, 1)
		}
		c.periods = append(c.periods, q)
	}
}

// periodAt is the index of the period in force at t, or -1.
func (c *check) periodAt(t int64) int {
	return sort.Search(len(c.periods), func(i int) bool { return c.periods[i].from > t }) - 1
}

// add is p's step on from t, or never.
func (p *period) add(e *Engine, t int64) int64 {
	if p.milkings == 0 {
		return p.rule.Add(e.loc, t)
	}
	for range p.milkings {
		if t = p.bounds.next(t); t == cadence.Never {
			break
		}
	}
	return t
}

// refresh brings doings and findings up to date.
func (c *check) refresh() {
	if !c.stale {
		return
	}
	c.stale = false
	c.doings = nil
	c.entries.active(func(f *fact) {
		if f.odd == notOdd && f.at >= c.start && f.at < c.end {
			c.doings = append(c.doings, f)
		}
	})
	c.findings = c.badFindings(nil)
	if c.plan.Kind == logbook.NumberCheck {
		c.findings = c.readingFindings(c.findings)
	}
}

// doingAfter is the index of the first doing with at >= t.
func (c *check) doingAfter(t int64) int {
	return sort.Search(len(c.doings), func(i int) bool { return c.doings[i].at >= t })
}

// last is the last doing.
func (c *check) last() *fact {
	if n := len(c.doings); n > 0 {
		return c.doings[n-1]
	}
	return nil
}

func (c *check) view(e *Engine, now int64) view {
	v := view{next: never}
	if c.plan == nil || c.start >= c.end {
		return v
	}
	v.soon(now, c.start)
	if now < c.start {
		return v
	}
	c.refresh()
	v.soon(now, c.end)
	live := now < c.end
	if !live && now-c.end >= keepMs {
		return v
	}

	w := c.walk(e, now, live)
	if live {
		c.dueItem(e, &v, now, &w)
		v.completion = completion(c.id, w.closed)
	}
	for _, ep := range c.overdueEpisodes(w.misses) {
		e.show(&v, now, &ep, c.plan.Gate, c.plan.Part, c.id)
	}
	for i := range c.findings {
		e.show(&v, now, &c.findings[i], c.plan.Gate, c.plan.Part, c.id)
	}
	if live {
		c.recheckItem(&v, now)
	}
	return v
}

// obligation is a window, or what a cadence from the last time asked for, that
// has closed: done and late count, a missed one is also a miss.
type obligation struct {
	opens, due, late int64
	closed           int64
	word             word
}

type word uint8

const (
	wordDone word = iota
	wordLate
	wordMissed
)

// walk is what a check's windows and obligations came to, up to an instant.
type walk struct {
	closed []obligation // in order of due, at least the last completionSize
	misses []obligation // by (late, due), at least since anything was settled
	fixed  []obligation // those of misses that are windows
	grace  []obligation // windows past due, neither done, waived nor missed
	cur    current      // of a cadence from the last time
}

// walk looks at the check at now, no further back than it can matter.
func (c *check) walk(e *Engine, now int64, live bool) walk {
	var w walk
	for i := range c.periods {
		if c.periods[i].fixed {
			c.walkFixed(now, live, &w)
			break
		}
	}
	w.fixed = slices.Clone(w.misses)
	for i := range c.periods {
		if !c.periods[i].fixed {
			c.walkLast(e, now, &w)
			break
		}
	}
	slices.SortStableFunc(w.misses, byLate)
	slices.SortStableFunc(w.fixed, byLate)
	return w
}
