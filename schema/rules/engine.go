package rules

import (
	"bytes"
	"cmp"
	"slices"
	"sort"
	"strings"
	"time"

	"gatewright/schema/logbook"
)

// Engine holds a plan, a set of entries and what was worked out from them. It
// is not safe for concurrent use.
type Engine struct {
	plan     *logbook.Plan
	planJSON []byte
	loc      *time.Location
	heads    map[string][]string

	strings map[string]string
	facts   map[logbook.EntryID]*fact
	killers map[logbook.EntryID][]*fact // by the id that they void or replace
	acts    map[string]*factList        // by the subject of the flag
	fixes   map[logbook.EntryID]*factList

	pending []*fact // added since the last Evaluate
	order   []*fact // all others by (at, id)
	cut     int     // order[:cut] are in force at now
	now     int64
	replan  bool

	checks map[string]*check
	gates  map[string]*gate
	faults map[logbook.EntryID]*fault
	clocks map[string]*clock
	odds   map[logbook.EntryID]*oddity

	all   []*fragment // every subject
	live  []*fragment // those that may show something
	bound map[string]*boundaries
	day   struct{ start, next int64 } // the local date looked at last
}

// New is an engine without plan and entries.
func New() *Engine {
	return &Engine{
		loc:     time.UTC,
		heads:   map[string][]string{},
		strings: map[string]string{},
		facts:   map[logbook.EntryID]*fact{},
		killers: map[logbook.EntryID][]*fact{},
		acts:    map[string]*factList{},
		fixes:   map[logbook.EntryID]*factList{},
		checks:  map[string]*check{},
		gates:   map[string]*gate{},
		faults:  map[logbook.EntryID]*fault{},
		clocks:  map[string]*clock{},
		odds:    map[logbook.EntryID]*oddity{},
		bound:   map[string]*boundaries{},
	}
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
	if len(heads) == 0 {
		delete(e.heads, doc)
		return
	}
	sorted := slices.Clone(heads)
	sort.Strings(sorted)
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
	slices.SortFunc(e.pending, compareFacts)
	e.order = merge(e.order, e.pending)
	for _, f := range e.pending {
		f.inForce = f.at <= now
		f.odd = e.oddnessOf(f)
		e.targets(f, func(id logbook.EntryID) { e.killers[id] = append(e.killers[id], f) })
		e.link(f)
	}
	e.cut = sort.Search(len(e.order), func(i int) bool { return e.order[i].at > now })
	for _, f := range e.pending {
		e.refresh(f)
	}
	e.pending = e.pending[:0]
}

// merge merges two sorted lists; news usually go to the end.
func merge(list, news []*fact) []*fact {
	i := sort.Search(len(list), func(i int) bool { return compareFacts(list[i], news[0]) > 0 })
	if i == len(list) {
		return append(list, news...)
	}
	tail := slices.Clone(list[i:])
	list = list[:i]
	for len(tail) > 0 && len(news) > 0 {
		if compareFacts(tail[0], news[0]) < 0 {
			list, tail = append(list, tail[0]), tail[1:]
		} else {
			list, news = append(list, news[0]), news[1:]
		}
	}
	return append(append(list, tail...), news...)
}

// factList is a list by (at, id) that is sorted when it is read.
type factList struct {
	list   []*fact
	sorted int // so many from the front are in order
}

func (l *factList) add(f *fact) {
	if n := len(l.list); l.sorted == n && (n == 0 || compareFacts(l.list[n-1], f) < 0) {
		l.sorted++
	}
	l.list = append(l.list, f)
}

// active calls do for the active facts in order.
func (l *factList) active(do func(f *fact)) {
	if l == nil {
		return
	}
	if l.sorted < len(l.list) {
		slices.SortFunc(l.list, compareFacts)
		l.sorted = len(l.list)
	}
	for _, f := range l.list {
		if f.active {
			do(f)
		}
	}
}

func listOf[K comparable](m map[K]*factList, k K) *factList {
	l := m[k]
	if l == nil {
		l = &factList{}
		m[k] = l
	}
	return l
}

// link puts f where the subjects that it can bear on find it.
func (e *Engine) link(f *fact) {
	if isDoing(f.kind) && f.check != "" {
		e.check(f.check).entries.add(f)
	}
	switch f.kind {
	case logbook.ModeSeen:
		e.gate(f.gate).modes.add(f)
	case logbook.Park:
		e.gate(f.gate).parkings.add(f)
	case logbook.Fault:
		e.faults[f.id] = &fault{f: f, fragment: e.subject()}
		e.faults[f.id].fragment.viewer = e.faults[f.id]
	case logbook.Fixed:
		listOf(e.fixes, f.of).add(f)
	case logbook.Clock:
		e.clock(f.device).entries.add(f)
	case logbook.Take, logbook.Handback, logbook.Dismiss:
		listOf(e.acts, f.flag).add(f)
	}
	e.linkOdd(f)
}

// touchFact marks what has to be worked out again because f became active or
// stopped being so.
func (e *Engine) touchFact(f *fact) {
	if isDoing(f.kind) && f.check != "" {
		e.check(f.check).stale = true
		e.touch(e.check(f.check).fragment)
	}
	switch f.kind {
	case logbook.ModeSeen:
		e.touch(e.gate(f.gate).fragment)
	case logbook.Park:
		g := e.gate(f.gate)
		g.stale = true
		e.touch(g.fragment)
		for _, c := range g.checks {
			e.touch(c.fragment)
		}
	case logbook.Fault:
		e.touch(e.faults[f.id].fragment)
	case logbook.Fixed:
		if x := e.faults[f.of]; x != nil {
			e.touch(x.fragment)
		}
	case logbook.Clock:
		e.touch(e.clock(f.device).fragment)
	case logbook.Take, logbook.Handback, logbook.Dismiss:
		if h := e.owner(f.flag); h != nil {
			e.touch(h)
		}
	}
	if o := e.odds[f.id]; o != nil {
		e.touch(o.fragment)
	}
}

// owner is the fragment in which a flag's subject shows.
func (e *Engine) owner(subject string) *fragment {
	rule, target, _ := strings.Cut(subject, "/")
	switch rule {
	case ruleOverdue, ruleLimit, ruleNear, ruleBad, ruleDisagree:
		if c := e.checks[target]; c != nil {
			return c.fragment
		}
	case ruleManual:
		if g := e.gates[target]; g != nil {
			return g.fragment
		}
	case ruleFault:
		if x := e.faults[logbook.EntryID(target)]; x != nil {
			return x.fragment
		}
	case ruleClock:
		if c := e.clocks[target]; c != nil {
			return c.fragment
		}
	case ruleOdd:
		if o := e.odds[logbook.EntryID(target)]; o != nil {
			return o.fragment
		}
	}
	return nil
}

// applyPlan judges everything by a new plan.
func (e *Engine) applyPlan() {
	e.loc = time.UTC
	e.bound = map[string]*boundaries{}
	e.day.start, e.day.next = 0, 0
	for _, g := range e.gates {
		g.plan, g.checks = nil, nil
	}
	for _, c := range e.checks {
		c.plan, c.gate = nil, nil
	}
	if p := e.plan; p != nil {
		if p.Site.Location != nil {
			e.loc = p.Site.Location
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
	}
	for _, f := range e.order {
		f.odd = e.oddnessOf(f)
		e.linkOdd(f)
	}
	for _, c := range e.checks {
		c.stale, c.chainValid = true, false
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
		e.gates[id] = g
	}
	return g
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
	slices.SortFunc(ids, func(a, b logbook.EntryID) int { return cmp.Compare(a, b) })
	return slices.Compact(ids)
}
