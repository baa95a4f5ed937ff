package rules

import (
	"cmp"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/schema/num"
)

// fact is what the rules need of an entry.
type fact struct {
	id       logbook.EntryID
	kind     logbook.Kind
	at       int64
	by       string
	gate     string
	part     string
	check    string
	replaces logbook.EntryID
	of       logbook.EntryID

	bad, stops, out bool
	hasValue        bool
	value           num.Micro
	unit            string
	marks           string
	mode            string
	seen            string
	flag            string
	why             string
	device          string
	offset          int64

	inForce bool // at <= now
	active  bool // in force, and neither voided nor replaced
	odd     oddness
}

func compareFacts(a, b *fact) int {
	return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.id, b.id))
}

// isDoing says whether entries of the kind can be doings of a check.
func isDoing(k logbook.Kind) bool {
	switch k {
	case logbook.Tick, logbook.Reading, logbook.Indication, logbook.ModeSeen, logbook.Tally:
		return true
	}
	return false
}

// fact keeps of an entry what the rules need. Strings are shared, so that the
// entry's bytes can be freed.
func (e *Engine) fact(x *logbook.Entry) *fact {
	s := e.intern
	f := &fact{
		id: logbook.EntryID(s(string(x.ID))), kind: logbook.Kind(s(string(x.Kind))), at: x.At, by: s(x.By),
		gate: s(x.Gate), part: s(x.Part), check: s(x.Check), replaces: logbook.EntryID(s(string(x.Replaces))),
	}
	switch x.Kind {
	case logbook.Tick:
		f.bad = x.Bad
	case logbook.Reading:
		f.hasValue, f.value, f.unit, f.marks = x.HasValue, x.Value, s(x.Unit), s(x.Marks)
	case logbook.ModeSeen:
		f.mode = s(x.Mode)
	case logbook.Fault:
		f.seen, f.stops = s(x.Seen), x.Stops
	case logbook.Fixed, logbook.Void:
		f.of = logbook.EntryID(s(string(x.Of)))
	case logbook.Park:
		f.out = x.Out
	case logbook.Take, logbook.Handback:
		f.flag = s(x.Flag)
	case logbook.Dismiss:
		f.flag, f.why = s(x.Flag), s(x.Why)
	case logbook.Clock:
		f.device, f.offset = s(x.Device), x.Offset
	}
	return f
}

func (e *Engine) intern(s string) string {
	if s == "" {
		return ""
	}
	if have, ok := e.strings[s]; ok {
		return have
	}
	s = string(append([]byte(nil), s...))
	e.strings[s] = s
	return s
}

// killed says whether a later active entry voids or replaces f. Only greater
// ids count, so the greatest id is never killed and a void can be voided.
func (e *Engine) killed(f *fact) bool {
	return slices.ContainsFunc(e.killers[f.id], func(k *fact) bool { return k.active })
}

// targets are the entries that f voids or replaces.
func (e *Engine) targets(f *fact, do func(id logbook.EntryID)) {
	if f.kind == logbook.Void && f.of != "" && f.of < f.id {
		do(f.of)
	}
	if f.replaces != "" && f.replaces < f.id {
		do(f.replaces)
	}
}

// refresh brings f.active up to date, and whatever depends on it.
func (e *Engine) refresh(f *fact) {
	active := f.inForce && !e.killed(f)
	if active == f.active {
		return
	}
	f.active = active
	e.touchFact(f)
	e.targets(f, func(id logbook.EntryID) {
		if x := e.facts[id]; x != nil {
			e.refresh(x)
		}
	})
}
