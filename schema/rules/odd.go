package rules

import "gatewright/schema/logbook"

// oddness says why an entry cannot be right by the plan of today.
type oddness uint8

const (
	notOdd oddness = iota
	unknownCheck
	unknownGate
	unknownPart
	oddUnit
	oddKind
)

var oddReasons = [...]string{"", "unknown-check", "unknown-gate", "unknown-part", "unit", "kind"}

// oddnessOf judges an entry by the plan; without a plan nothing is odd.
// Retired items are known.
func (e *Engine) oddnessOf(f *fact) oddness {
	p := e.plan
	if p == nil {
		return notOdd
	}
	c := e.checks[f.check]
	known := c != nil && c.plan != nil
	switch {
	case f.check != "" && !known:
		return unknownCheck
	case f.gate != "" && p.Gates[f.gate] == nil:
		return unknownGate
	case f.part != "" && p.Parts[f.part] == nil:
		return unknownPart
	case f.check == "" || !isDoing(f.kind):
		return notOdd
	}
	if f.kind == logbook.Reading && f.hasValue {
		if l := c.plan.LimitsAt(f.at); l != nil && l.Unit != "" && l.Unit != f.unit {
			return oddUnit
		}
	}
	if !fits(c.plan.Kind, f.kind) {
		return oddKind
	}
	return notOdd
}

// fits says whether an entry of the kind answers a check of the kind.
func fits(c logbook.CheckKind, k logbook.Kind) bool {
	if k == logbook.Tick {
		return c != logbook.NumberCheck && c != logbook.VisitCheck
	}
	switch c {
	case logbook.NumberCheck:
		return k == logbook.Reading
	case logbook.ModeCheck:
		return k == logbook.ModeSeen
	case logbook.IndicatorCheck:
		return k == logbook.Indication
	case logbook.CountCheck:
		return k == logbook.Tally
	}
	return false
}

// oddity is the subject of one entry that is odd, or was by another plan.
type oddity struct {
	fragment *fragment
	f        *fact
}

func (e *Engine) linkOdd(f *fact) {
	if f.odd != notOdd && e.odds[f.id] == nil {
		o := &oddity{f: f, fragment: e.subject()}
		o.fragment.viewer = o
		e.odds[f.id] = o
	}
}

func (o *oddity) view(e *Engine, now int64) view {
	v := view{next: never}
	if !o.f.active || o.f.odd == notOdd {
		return v
	}
	ep := episode{
		rule: ruleOdd, target: string(o.f.id), severity: Know, raised: o.f.at, cleared: never,
		params:  []Param{textParam("reason", oddReasons[o.f.odd])},
		entries: []logbook.EntryID{o.f.id},
	}
	e.show(&v, now, &ep, o.f.gate, o.f.part, o.f.check)
	return v
}
