package rules

import "gatewright/schema/logbook"

// fault is the subject of one fault entry: a flag until it is put right.
type fault struct {
	fragment *fragment
	f        *fact
}

func (x *fault) view(e *Engine, now int64) view {
	v := view{next: never}
	if !x.f.active {
		return v
	}
	ep := episode{
		rule: ruleFault, target: string(x.f.id), severity: Watch, raised: x.f.at, cleared: never,
		params:  []Param{textParam("seen", x.f.seen)},
		entries: []logbook.EntryID{x.f.id},
	}
	if x.f.stops {
		ep.severity = Act
	}
	if p := e.plan; p != nil {
		if g := p.Gates[x.f.gate]; g != nil {
			ep.cleared = min(ep.cleared, retiredAt(g.Retired))
		}
		if t := p.Parts[x.f.part]; t != nil {
			ep.cleared = min(ep.cleared, retiredAt(t.Retired))
		}
	}
	first := true
	e.fixes[x.f.id].active(func(f *fact) {
		if at := max(f.at, x.f.at); first && at <= ep.cleared {
			ep.cleared = at
			ep.entries = append(ep.entries, f.id)
		}
		first = false
	})
	e.show(&v, now, &ep, x.f.gate, x.f.part, "")
	return v
}
