package rules

import (
	"strings"

	"gatewright/schema/logbook"
)

// link puts f where the subjects that it can bear on find it.
func (e *Engine) link(f *fact) {
	f.linked = true
	if isDoing(f.kind) && f.check != "" {
		f.answers = e.check(f.check)
		f.answers.entries.add(f)
	}
	if f.byPerson() {
		f.made = e.device(f.dev)
	}
	switch f.kind {
	case logbook.ModeSeen:
		e.gate(f.gate).modes.add(f)
	case logbook.Park:
		e.gate(f.gate).parkings.add(f)
	case logbook.Fault:
		e.faults[f.id] = &fault{f: f, fragment: e.subject()}
		e.faults[f.id].fragment.viewer = e.faults[f.id]
		e.gate(f.gate).repeats.faults.add(f)
	case logbook.Fixed:
		listOf(e.fixes, f.of).add(f)
	case logbook.Clock:
		e.clock(f.device).entries.add(f)
	case logbook.Take, logbook.Handback, logbook.Dismiss:
		listOf(e.acts, f.flag).add(f)
	case logbook.Event:
		listOf(e.events, f.event).add(f)
	case logbook.Visit:
		if f.isClosed {
			e.visitsOf().add(f)
		}
	case logbook.Fitting:
		listOf(e.fittings, f.part).add(f)
	case logbook.MilkingSum:
		e.gate(f.gate).herd.entries.add(f)
	}
	if f.visit != "" || f.of != "" || f.replaces != "" {
		e.linkVisit(f)
	}
	e.linkOdd(f)
}

// visitsOf are the closed visits, of all gates.
func (e *Engine) visitsOf() *factList { return listOf(e.events, logbook.EventVisit) }

// touchFact marks what has to be worked out again because f became active or
// stopped being so.
func (e *Engine) touchFact(f *fact) {
	if f.answers != nil {
		f.answers.changed(e, f)
	}
	switch f.kind {
	case logbook.ModeSeen:
		e.touch(e.gate(f.gate).fragment)
	case logbook.Park:
		e.parked(f)
	case logbook.Fault:
		e.touch(e.faults[f.id].fragment)
		e.gate(f.gate).repeats.changed(e)
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
	case logbook.Event:
		e.happened(f.event, f)
	case logbook.Visit:
		if f.isClosed {
			e.happened(logbook.EventVisit, f)
			for _, c := range e.visited {
				if f.gate == "" || f.gate == c.plan.Gate {
					c.changed(e, f)
				}
			}
		}
	case logbook.Fitting:
		e.renewed(f)
	case logbook.MilkingSum:
		g := e.gate(f.gate)
		g.herd.changed(f)
		g.reads.changed(e, f)
		for _, c := range g.checks {
			if c.countsPassages() {
				c.triggers.forget(f.at)
				e.touch(c.fragment)
			}
		}
	}
	if f.visit != "" || f.of != "" || f.replaces != "" {
		e.touchVisits(f)
	}
	if f.odd != notOdd {
		if o := e.odds[f.id]; o != nil {
			e.touch(o.fragment)
		}
	}
	if f.made != nil {
		e.quiet.people.changed(f)
		e.touch(e.quiet.fragment)
		f.made.people.changed(f)
		e.touch(f.made.fragment)
	}
}

// parked takes note that a park entry became active or stopped being so.
func (e *Engine) parked(f *fact) {
	g := e.gate(f.gate)
	g.stale = true
	e.touch(g.fragment)
	e.touch(e.quiet.fragment)
	for _, c := range g.checks {
		c.chain.forget(f.at)
		c.triggers.forget(f.at)
		e.touch(c.fragment)
	}
}

// happened tells the checks that an event may trigger.
func (e *Engine) happened(event string, f *fact) {
	for _, c := range e.triggered[event] {
		if f.gate == "" || f.gate == c.plan.Gate {
			c.triggers.forget(f.at)
			e.touch(c.fragment)
		}
	}
}

// renewed tells whoever reads values in runs that a part was.
func (e *Engine) renewed(f *fact) {
	if e.plan == nil {
		return
	}
	p := e.plan.Parts[f.part]
	if p == nil {
		return
	}
	if isReaderPart(p) {
		e.gate(p.Gate).reads.renewed(e)
	}
	// A check may name a part of another gate.
	for _, c := range e.checks {
		if c.plan != nil && c.plan.Part == f.part && c.plan.Kind == logbook.NumberCheck {
			c.renewed(e)
		}
	}
}

// owner is the fragment in which a flag's subject shows.
func (e *Engine) owner(subject string) *fragment {
	rule, target, _ := strings.Cut(subject, "/")
	switch rule {
	case ruleOverdue, ruleLimit, ruleDoubt, ruleNear, ruleBad, ruleDisagree, ruleDrift, ruleShift, ruleVisit:
		if c := e.checks[target]; c != nil {
			return c.fragment
		}
	case ruleManual, ruleRate, ruleRepeat:
		g := e.gates[target]
		switch {
		case g == nil:
		case rule == ruleManual:
			return g.fragment
		case rule == ruleRate:
			return g.reads.fragment
		default:
			return g.repeats.fragment
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
	case ruleAltered:
		if a := e.alterations[target]; a != nil {
			return a.fragment
		}
	case ruleQuiet:
		if subject == quietSite {
			return e.quiet.fragment
		}
		if d := e.devices[target]; d != nil {
			return d.fragment
		}
	}
	return nil
}
