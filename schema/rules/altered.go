package rules

import (
	"cmp"
	"slices"

	"gatewright/schema/arrange"
	"gatewright/schema/logbook"
)

// altered is the subject of one visit: what was changed after a signature.
type altered struct {
	fragment *fragment
	visit    string
	named    []*fact // entries that name the visit, in any order
	against  []*fact // entries that void or replace such
}

func (e *Engine) visit(id string) *altered {
	a := e.alterations[id]
	if a == nil {
		a = &altered{visit: id, fragment: e.subject()}
		a.fragment.viewer = a
		e.alterations[id] = a
	}
	return a
}

// linkVisit puts f with the visits that it can alter.
func (e *Engine) linkVisit(f *fact) {
	if f.visit != "" {
		a := e.visit(f.visit)
		a.named = append(a.named, f)
		for _, k := range e.killers[f.id] { // which came first
			a.against = append(a.against, k)
			e.touch(a.fragment)
		}
	}
	for _, id := range f.targets() {
		if x := e.facts[id]; id != "" && x != nil && x.linked && x.visit != "" {
			a := e.visit(x.visit)
			a.against = append(a.against, f)
		}
	}
}

// touchVisits marks the visits that f can alter.
func (e *Engine) touchVisits(f *fact) {
	if f.visit != "" {
		e.touch(e.visit(f.visit).fragment)
	}
	for _, id := range f.targets() {
		if x := e.facts[id]; id != "" && x != nil && x.visit != "" {
			e.touch(e.visit(x.visit).fragment)
		}
	}
}

// canAlter says whether entries of a kind change what was signed.
func canAlter(k logbook.Kind) bool {
	switch k {
	case logbook.Sign, logbook.Receipt, logbook.Seen, logbook.Admitted, logbook.Take, logbook.Handback, logbook.Dismiss:
		return false
	}
	return true
}

// alteration stands in its interval; signed is the at of the sign entry before
// it by id, next the one after it.
type alteration struct {
	interval
	f      *fact
	signed int64
	next   *fact
}

func (a *altered) view(e *Engine, now int64) view {
	v := view{next: never}
	var signs, changes []*fact
	for _, f := range a.named {
		if f.active && f.kind == logbook.Sign {
			signs = append(signs, f)
		}
	}
	if len(signs) == 0 {
		return v
	}
	for _, list := range [...][]*fact{a.named, a.against} {
		for _, f := range list {
			if f.active && canAlter(f.kind) {
				changes = append(changes, f)
			}
		}
	}
	byID := func(a, b *fact) int { return cmp.Compare(a.id, b.id) }
	arrange.By(signs, byID)
	arrange.By(changes, byID)
	changes = slices.Compact(changes) // one may both name the visit and void an entry of it
	var all []alteration
	for _, f := range changes {
		after, _ := slices.BinarySearchFunc(signs, f, byID)
		if after == 0 {
			continue
		}
		x := alteration{interval{max(f.at, signs[after-1].at), never}, f, signs[after-1].at, nil}
		if after < len(signs) {
			x.next, x.to = signs[after], signs[after].at
		}
		if x.from < x.to {
			all = append(all, x)
		}
	}
	arrange.By(all, func(a, b alteration) int { return cmp.Compare(a.from, b.from) })
	for i := 0; i < len(all); {
		ep := episode{rule: ruleAltered, target: a.visit, severity: Watch, raised: all[i].from, cleared: all[i].to}
		j := i
		for ; j < len(all) && all[j].from <= ep.cleared; j++ {
			ep.cleared = max(ep.cleared, all[j].to)
		}
		first := &all[i]
		for k := range all[i:j] {
			x := &all[i+k]
			if x.f.id < first.f.id {
				first = x
			}
			ep.entries = append(ep.entries, x.f.id)
			if x.next != nil && x.to == ep.cleared {
				ep.entries = append(ep.entries, x.next.id)
			}
		}
		ep.params = []Param{wholeParam("n", int64(j-i)), wholeParam("signed", first.signed)}
		e.show(&v, now, &ep, "", "", "")
		i = j
	}
	return v
}
