package rules

import (
	"bytes"
	"cmp"
	"maps"
	"slices"
	"sort"
	"time"

	"gatewright/schema/arrange"
	"gatewright/schema/cadence"
	"gatewright/schema/logbook"
)

// Engine holds a plan, a set of entries and what was worked out from them. It
// is not safe for concurrent use.
type Engine struct {
	plan     *logbook.Plan
	planJSON []byte
	loc      *time.Location
	wall     *cadence.Wall // of loc
	heads    map[string][]string
	// headsLent says that an output has the map, which must not change then.
	headsLent bool

	strings map[string]string
	recent  [256]string // of strings, those that were asked for last
	slab    []fact
	facts   map[logbook.EntryID]*fact
	killers map[logbook.EntryID][]*fact // by the id that they void or replace
	absent  map[logbook.EntryID]bool    // of those ids, what has not been added
	acts    map[string]*factList        // by the subject of the flag
	fixes   map[logbook.EntryID]*factList

	pending []*fact // added since the last Evaluate
	order   []*fact // all others by (at, id)
	cut     int     // order[:cut] are in force at now
	now     int64
	replan  bool

	checks      map[string]*check
	gates       map[string]*gate
	faults      map[logbook.EntryID]*fault
	clocks      map[string]*clock
	odds        map[logbook.EntryID]*oddity
	alterations map[string]*altered // by visit
	devices     map[string]*device
	quiet       yardQuiet

	events    map[string]*factList // by event; closed visits as that of a cadence
	triggered map[string][]*check  // by the event that they are to follow
	visited   []*check             // of kind visit
	fittings  map[string]*factList // by part

	all   []*fragment // every subject
	live  []*fragment // those that may show something
	bound map[string]*boundaries
	day   struct{ start, next int64 } // the local date looked at last
	shown listing
}

// New is an engine without plan and entries.
func New() *Engine {
	e := &Engine{
		loc:         time.UTC,
		heads:       map[string][]string{},
		strings:     map[string]string{},
		facts:       map[logbook.EntryID]*fact{},
		killers:     map[logbook.EntryID][]*fact{},
		absent:      map[logbook.EntryID]bool{},
		acts:        map[string]*factList{},
		fixes:       map[logbook.EntryID]*factList{},
		checks:      map[string]*check{},
		gates:       map[string]*gate{},
		faults:      map[logbook.EntryID]*fault{},
		clocks:      map[string]*clock{},
		odds:        map[logbook.EntryID]*oddity{},
		alterations: map[string]*altered{},
		devices:     map[string]*device{},
		events:      map[string]*factList{},
		triggered:   map[string][]*check{},
		fittings:    map[string]*factList{},
		bound:       map[string]*boundaries{},
	}
	e.quiet.fragment = e.subject()
	e.quiet.fragment.viewer = &e.quiet
	return e
}

// SetPlan gives the plan, and the projection that it was parsed from (Save
// keeps it). The engine does not change the plan and expects the same of the
// caller.
func (e *Engine) SetPlan(p *logbook.Plan, planJSON []byte) {
	if e.plan != nil && p != nil && bytes.Equal(planJSON, e.planJSON) && len(planJSON) > 0 {
		return
	}
	e.plan, e.planJSON = p, bytes.Clone(planJSON)
	e.replan = true
}

// SetHeads says up to which heads of a document ("plan", "log/2026-11") the
// plan and the entries given so far go. It only shows in the basis. No heads
// take the document out of the basis.
func (e *Engine) SetHeads(doc string, heads []string) {
	if e.headsLent {
		e.heads, e.headsLent = maps.Clone(e.heads), false
	}
	if len(heads) == 0 {
		delete(e.heads, doc)
		return
	}
	sorted := slices.Clone(heads)
	arrange.Sort(sorted)
	e.heads[doc] = slices.Compact(sorted)
}

// Add takes one entry, in any order; an id that is already there is ignored
// and false returned. The entry is not kept.
func (e *Engine) Add(x *logbook.Entry) (new bool) {
	if _, ok := e.facts[x.ID]; ok {
		return false
	}
	e.insert(e.fact(x))
	return true
}

// Has says whether the entry was added.
func (e *Engine) Has(id logbook.EntryID) bool { return e.facts[id] != nil }

// Len is the number of entries.
func (e *Engine) Len() int { return len(e.facts) }

// Grow makes room for so many more entries, for who knows how many come.
func (e *Engine) Grow(n int) {
	if len(e.facts) == 0 {
		e.facts = make(map[logbook.EntryID]*fact, n)
	}
	e.pending = slices.Grow(e.pending, n)
}

func (e *Engine) insert(f *fact) {
	e.facts[f.id] = f
	e.pending = append(e.pending, f)
}

// settle makes plan, entries and their being in force agree with now.
func (e *Engine) settle(now int64) {
	if e.replan {
		e.replan = false
		e.applyPlan()
	}
	back := now < e.now
	e.now = now
	for ; e.cut < len(e.order) && e.order[e.cut].at <= now; e.cut++ {
		e.order[e.cut].inForce = true
		e.refresh(e.order[e.cut])
	}
	for ; e.cut > 0 && e.order[e.cut-1].at > now; e.cut-- {
		e.order[e.cut-1].inForce = false
		e.refresh(e.order[e.cut-1])
	}
	if len(e.pending) > 0 {
		e.admit(now)
	}
	if back { // what has nothing to show at a later instant may have now
		e.live = append(e.live[:0], e.all...)
		for _, h := range e.live {
			h.listed = true
		}
	}
}

// admit puts the pending facts among the others.
func (e *Engine) admit(now int64) {
	if !slices.IsSortedFunc(e.pending, compareFacts) {
		arrange.By(e.pending, compareFacts)
	}
	news := e.pending
	if len(e.order) == 0 {
		e.order, e.pending = news, nil
	} else {
		e.order = merge(e.order, news)
	}
	for _, f := range news {
		f.inForce = f.at <= now
		f.odd = e.oddnessOf(f)
		for _, id := range f.targets() {
			if id == "" {
				continue
			}
			e.killers[id] = append(e.killers[id], f)
			if x := e.facts[id]; x != nil {
				x.targeted = true
			} else {
				e.absent[id] = true
			}
		}
		if len(e.absent) > 0 && e.absent[f.id] {
			f.targeted = true
			delete(e.absent, f.id)
		}
		e.link(f)
	}
	if n := len(e.order); n == 0 || e.order[n-1].at <= now {
		e.cut = n
	} else {
		e.cut = sort.Search(n, func(i int) bool { return e.order[i].at > now })
	}
	for _, f := range news {
		e.refresh(f)
	}
	clear(e.pending)
	e.pending = e.pending[:0]
}

// merge merges two sorted lists; news usually go to the end.
func merge(list, news []*fact) []*fact {
	n := len(list)
	if n == 0 || list[n-1].before(news[0]) {
		return append(list, news...)
	}
	i := sort.Search(n, func(i int) bool { return news[0].before(list[i]) })
	if len(news) == 1 {
		return slices.Insert(list, i, news[0])
	}
	tail := slices.Clone(list[i:])
	list = list[:i]
	for len(tail) > 0 && len(news) > 0 {
		if tail[0].before(news[0]) {
			list, tail = append(list, tail[0]), tail[1:]
		} else {
			list, news = append(list, news[0]), news[1:]
		}
	}
	return append(append(list, tail...), news...)
}

// applyPlan judges everything by a new plan.
func (e *Engine) applyPlan() {
	e.loc = time.UTC
	e.wall = cadence.NewWall(e.loc)
	e.bound = map[string]*boundaries{}
	e.day.start, e.day.next = 0, 0
	clear(e.triggered)
	e.visited = nil
	for _, g := range e.gates {
		g.plan, g.checks = nil, nil
	}
	for _, c := range e.checks {
		c.plan, c.gate = nil, nil
	}
	if p := e.plan; p != nil {
		if p.Site.Location != nil {
			e.loc = p.Site.Location
			e.wall = cadence.NewWall(e.loc)
		}
		for _, id := range p.GateIDs {
			e.gate(id).plan = p.Gates[id]
		}
		for _, id := range p.CheckIDs {
			c := p.Checks[id]
			if p.Gates[c.Gate] == nil || c.Part != "" && p.Parts[c.Part] == nil {
				continue // ParsePlan leaves such a check out
			}
			e.check(id).setPlan(e, c)
		}
		e.quiet.people.set(int64(p.Site.QuietAfter) * minuteMs)
	}
	for _, f := range e.order {
		f.odd = e.oddnessOf(f)
		e.linkOdd(f)
	}
	for _, c := range e.checks {
		c.stale = true
		c.chain.cut(0)
		c.triggers.cut(0)
	}
	for _, g := range e.gates {
		g.repeats.stale, g.reads.stale = true, true
	}
	for _, h := range e.all {
		e.touch(h)
	}
}

// retiredAt reads the plan's "0 = in use".
func retiredAt(retired int64) int64 {
	if retired == 0 {
		return never
	}
	return retired
}

// check is the subject of the check's id, in the plan or not.
func (e *Engine) check(id string) *check {
	c := e.checks[id]
	if c == nil {
		c = &check{id: id, fragment: e.subject()}
		c.fragment.viewer = c
		e.checks[id] = c
	}
	return c
}

func (e *Engine) gate(id string) *gate {
	g := e.gates[id]
	if g == nil {
		g = &gate{id: id, fragment: e.subject()}
		g.fragment.viewer = g
		g.repeats = &repeats{gate: g, fragment: e.subject()}
		g.repeats.fragment.viewer = g.repeats
		g.reads = &reads{gate: g, fragment: e.subject()}
		g.reads.fragment.viewer = g.reads
		e.gates[id] = g
	}
	return g
}

func (e *Engine) device(id string) *device {
	d := e.devices[id]
	if d == nil {
		d = &device{id: id, fragment: e.subject(), people: people{long: quietDevice}}
		d.fragment.viewer = d
		e.devices[id] = d
	}
	return d
}

func (e *Engine) clock(device string) *clock {
	c := e.clocks[device]
	if c == nil {
		c = &clock{device: device, fragment: e.subject()}
		c.fragment.viewer = c
		e.clocks[device] = c
	}
	return c
}

func sortIDs(ids []logbook.EntryID) []logbook.EntryID {
	arrange.By(ids, func(a, b logbook.EntryID) int { return cmp.Compare(a, b) })
	return slices.Compact(ids)
}
