package rules

import (
	"slices"
	"sort"

	"gatewright/schema/arrange"
	"gatewright/schema/cadence"
	"gatewright/schema/logbook"
)

// check is the subject of one check: its due items, its completion, and its
// flags.
//
// What its doings come to is followed one by one as they are added in order.
// Anything else (a late entry, a void, a part renewed, another plan) makes it
// stale: then it is followed again from the first one on.
type check struct {
	fragment   *fragment
	id         string
	plan       *logbook.Check // nil when the plan has none of this id
	gate       *gate
	start, end int64 // live in [start, end)
	periods    []period
	entries    factList // all that name it and could be doings

	stale    bool
	doings   []*fact
	findings findings
	values   values
	shift    shift

	chain    chain    // obligations from the last doing
	triggers triggers // obligations after something happened
}

// style is how a cadence finds what is due.
type style uint8

const (
	fixedStyle style = iota
	lastStyle
	triggeredStyle
)

// period is a cadence period, in force from <= t < until.
type period struct {
	from, until int64
	style       style
	grace       int64
	bounds      *boundaries
	rule        cadence.Rule
	milkings    int       // how many ahead, when it counts milkings from the last
	events      *factList // what triggers it, or nil for passages
	after       int64     // from an event until due
	passages    int64
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
		q := period{from: k.From, until: never, grace: int64(k.Grace) * minuteMs}
		if i+1 < len(p.Cadence) {
			q.until = p.Cadence[i+1].From
		}
		switch k.Every {
		case logbook.EveryEvent:
			q.style, q.after = triggeredStyle, int64(k.After)*minuteMs
			q.events = listOf(e.events, k.Event)
			e.triggered[k.Event] = append(e.triggered[k.Event], c)
		case logbook.EveryPassages:
			q.style, q.passages = triggeredStyle, int64(k.N)
		default:
			q.bounds, q.rule = e.boundariesOf(k), ruleOf(k)
			if k.Mode == logbook.LastCadence {
				q.style = lastStyle
			}
			if k.Every == logbook.EveryMilking {
				q.milkings = max(k.N, 1)
			}
		}
		c.periods = append(c.periods, q)
	}
	if p.Kind == logbook.VisitCheck {
		e.visited = append(e.visited, c)
	}
}

func (c *check) has(s style) bool {
	for i := range c.periods {
		if c.periods[i].style == s {
			return true
		}
	}
	return false
}

// periodAt is the index of the period in force at t, or -1.
func (c *check) periodAt(t int64) int {
	for i := len(c.periods) - 1; i >= 0; i-- {
		if c.periods[i].from <= t {
			return i
		}
	}
	return -1
}

// add is p's step on from t, or never.
func (p *period) add(e *Engine, t int64) int64 {
	if p.milkings == 0 {
		return e.wall.Add(p.rule, t)
	}
	for range p.milkings {
		if t = p.bounds.next(t); t == cadence.Never {
			break
		}
	}
	return t
}

// isDone says whether an entry that concerns the check, when active, is a
// doing of it.
func (c *check) isDone(f *fact) bool {
	return f.odd == notOdd && f.at >= c.start && f.at < c.end
}

// changed takes note that an entry that concerns the check became active or
// stopped being so.
func (c *check) changed(e *Engine, f *fact) {
	if c.plan == nil || !c.isDone(f) {
		return
	}
	e.touch(c.fragment)
	c.chain.forget(f.at)
	c.triggers.forget(f.at)
	if c.stale {
		return
	}
	n := len(c.doings)
	if !f.active || n > 0 && !c.doings[n-1].before(f) {
		c.stale = !c.slip(f)
		return
	}
	if f.baseline {
		if n > 0 && c.doings[n-1].at == f.at { // it may belong to the new run
			c.stale = true
			return
		}
		c.values.cuts.insert(cut{f.at, f.id})
	}
	c.follow(f)
}

// slip puts a doing among the others, or takes it away, when nothing but their
// list depends on it: it found nothing, and no finding was open around it.
func (c *check) slip(f *fact) bool {
	if c.plan.Kind == logbook.NumberCheck || f.bad || c.findings.bad.touches(f.at) {
		return false
	}
	i := sort.Search(len(c.doings), func(i int) bool { return !c.doings[i].before(f) })
	at := i // of the next one, f left out
	if !f.active {
		at++
	}
	if i > 0 && c.doings[i-1].at == f.at || at < len(c.doings) && c.doings[at].at == f.at {
		return false // a finding of no length may lie between them
	}
	if f.active {
		c.doings = slices.Insert(c.doings, i, f)
	} else {
		c.doings = slices.Delete(c.doings, i, i+1)
	}
	return true
}

// renewed takes note that the part was.
func (c *check) renewed(e *Engine) {
	c.stale = true
	e.touch(c.fragment)
}

// follow takes the next doing.
func (c *check) follow(f *fact) {
	c.doings = append(c.doings, f)
	c.findings.tick(f)
	if c.plan.Kind != logbook.NumberCheck {
		return
	}
	l := c.plan.LimitsAt(f.at)
	if l == nil {
		return
	}
	j := judgeReading(f, l)
	c.findings.reading(&j)
	if f.hasValue && f.at >= c.gate.plan.Learning {
		x := c.values.take(&j)
		if x.broken {
			c.shift.breaks(x.broke)
		}
		c.shift.take(x)
	}
}

// refresh follows all doings anew when that is needed.
func (c *check) refresh(e *Engine) {
	if !c.stale {
		return
	}
	c.stale = false
	c.findings, c.values, c.shift = findings{}, values{list: c.values.list[:0]}, shift{}
	entries := &c.entries
	if c.plan.Kind == logbook.VisitCheck {
		entries = e.visitsOf()
	}
	all := c.doings[:0]
	entries.active(func(f *fact) {
		if c.isDone(f) && (c.plan.Kind != logbook.VisitCheck || f.gate == "" || f.gate == c.plan.Gate) {
			all = append(all, f)
		}
	})
	if c.plan.Kind == logbook.NumberCheck {
		c.values.cuts.set(c.breaks(e, all))
	}
	c.doings = all[:0]
	for _, f := range all {
		c.follow(f)
	}
}

// breaks are what begins runs of the check's values.
func (c *check) breaks(e *Engine, doings []*fact) []cut {
	var out []cut
	if c.plan.Part != "" {
		e.fittings[c.plan.Part].active(func(f *fact) { out = append(out, cut{f.at, f.id}) })
	}
	for _, f := range doings {
		if f.baseline {
			out = append(out, cut{f.at, f.id})
		}
	}
	for i := 1; i < len(c.plan.Limits); i++ {
		if l := &c.plan.Limits[i]; l.Unit != c.plan.Limits[i-1].Unit {
			out = append(out, cut{at: l.From})
		}
	}
	return out
}

// doingAfter is the index of the first doing with at >= t.
func (c *check) doingAfter(t int64) int {
	if n := len(c.doings); n == 0 || c.doings[n-1].at < t {
		return n
	}
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
	c.refresh(e)
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
	c.showFindings(e, &v, now)
	if live {
		c.recheckItem(&v, now)
	}
	if c.plan.Kind == logbook.VisitCheck {
		c.showVisits(e, &v, now)
	}
	standUnder(v.flags)
	return v
}

// showFindings shows what the doings say.
func (c *check) showFindings(e *Engine, v *view, now int64) {
	c.showTrack(e, v, now, &c.findings.bad, ruleBad, Act, c.end)
	if c.plan.Kind != logbook.NumberCheck {
		return
	}
	c.showTrack(e, v, now, &c.findings.limit, ruleLimit, Act, c.end)
	c.showTrack(e, v, now, &c.findings.doubt, ruleDoubt, Watch, c.end)
	c.showTrack(e, v, now, &c.findings.near, ruleNear, Know, c.end)
	c.showTrack(e, v, now, &c.findings.disagree, ruleDisagree, Watch, c.end)

	// A break that no value has followed yet ends what stands of its run.
	if t := &c.shift.track; t.open {
		ep := t.ended(c.end, "")
		if b, ok := c.values.cuts.ahead(); ok && b.at <= c.end {
			ep = t.ended(b.at, b.entry)
		}
		c.showEpisode(e, v, now, &ep, ruleShift, Watch)
	}
	c.showPast(e, v, now, &c.shift.track, ruleShift, Watch)
	e.showRuns(v, now, c.end, &c.values, episode{rule: ruleDrift, target: c.id, severity: Watch}, c.plan.Gate, c.plan.Part, c.id)
}

// showTrack shows what is listed of a track, the open episode until end.
func (c *check) showTrack(e *Engine, v *view, now int64, t *track, rule string, s Severity, end int64) {
	if t.open {
		ep := t.ended(end, "")
		c.showEpisode(e, v, now, &ep, rule, s)
	}
	c.showPast(e, v, now, t, rule, s)
}

func (c *check) showPast(e *Engine, v *view, now int64, t *track, rule string, s Severity) {
	for i := len(t.past) - 1; i >= 0 && t.past[i].cleared > now-keepMs; i-- {
		ep := t.past[i]
		c.showEpisode(e, v, now, &ep, rule, s)
	}
}

func (c *check) showEpisode(e *Engine, v *view, now int64, ep *episode, rule string, s Severity) {
	ep.rule, ep.target, ep.severity = rule, c.id, s
	e.show(v, now, ep, c.plan.Gate, c.plan.Part, c.id)
}

// obligation is a window, or what another cadence asked for, that has closed:
// done and late count, a missed one is also a miss.
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
	wordWaived // counts nowhere
)

// walk is what a check's windows and obligations came to, up to an instant.
type walk struct {
	closed []obligation // in order of due, at least the last completionSize
	misses []obligation // by (late, due), at least since anything was settled
	fixed  []obligation // those of misses that are windows
	grace  []obligation // windows past due, neither done, waived nor missed
	cur    current      // of a cadence from the last time
	stands current      // of one after something happened
}

// walk looks at the check at now, no further back than it can matter.
func (c *check) walk(e *Engine, now int64, live bool) walk {
	var w walk
	settled := c.settledBefore(now)
	if c.has(fixedStyle) {
		c.walkFixed(now, settled, live, &w)
		arrange.By(w.misses, byLate)
		w.fixed = slices.Clone(w.misses)
	}
	if c.has(lastStyle) {
		c.walkLast(e, now, settled, &w)
	}
	if c.has(triggeredStyle) {
		c.walkTriggered(now, settled, &w)
	}
	arrange.By(w.misses, byLate)
	arrange.By(w.closed, byDue)
	return w
}
