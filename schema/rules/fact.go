package rules

import (
	"cmp"
	"slices"
	"sort"

	"gatewright/schema/logbook"
	"gatewright/schema/num"
)

// fact is what the rules need of an entry.
type fact struct {
	id    logbook.EntryID
	kind  logbook.Kind
	at    int64
	by    string
	dev   string
	gate  string
	part  string
	check string
	*detail

	bad, stops, out    bool
	hasValue, hasU     bool
	baseline, isClosed bool // isClosed: of a visit

	targeted bool // something voids or replaces it
	linked   bool // subjects know of it
	answers  *check
	made     *device
	inForce  bool // at <= now
	active   bool // in force, and neither voided nor replaced
	odd      oddness
}

// detail is what few entries say; all others share one that says nothing.
type detail struct {
	visit          string
	replaces, of   logbook.EntryID
	value, u       num.Micro
	unit           string
	marks          string
	mode           string
	seen           string
	flag           string
	why            string
	device         string
	event          string
	offset         int64
	passages, read int64
}

var noDetail = &detail{}

func compareFacts(a, b *fact) int {
	return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.id, b.id))
}

func (f *fact) before(g *fact) bool { return f.at < g.at || f.at == g.at && f.id < g.id }

// byPerson says whether a person made it, not the server.
func (f *fact) byPerson() bool { return f.by != logbook.Server }

// isDoing says whether entries of the kind can be doings of a check that they
// name.
func isDoing(k logbook.Kind) bool {
	switch k {
	case logbook.Tick, logbook.Reading, logbook.Indication, logbook.ModeSeen, logbook.Tally:
		return true
	}
	return false
}

// fact keeps of an entry what the rules need. Strings that come again and
// again are shared.
func (e *Engine) fact(x *logbook.Entry) *fact {
	s := e.intern
	f := e.room()
	f.id, f.kind, f.at, f.by, f.dev = x.ID, kindOf(e, x.Kind), x.At, s(x.By), s(x.Dev)
	f.gate, f.part, f.check = s(x.Gate), s(x.Part), s(x.Check)
	f.detail = noDetail
	if x.Kind == logbook.Tick && x.Visit == "" && x.Replaces == "" { // most of all
		f.bad = x.Bad
		return f
	}
	d := detail{visit: s(x.Visit), replaces: x.Replaces}
	switch x.Kind {
	case logbook.Tick:
		f.bad = x.Bad
	case logbook.Reading:
		f.hasValue, f.hasU, f.baseline = x.HasValue, x.HasU, x.Baseline
		d.value, d.u, d.unit, d.marks = x.Value, x.U, s(x.Unit), s(x.Marks)
	case logbook.ModeSeen:
		d.mode = s(x.Mode)
	case logbook.Fault:
		f.stops, d.seen = x.Stops, s(x.Seen)
	case logbook.Fixed, logbook.Void:
		d.of = x.Of
	case logbook.Park:
		f.out = x.Out
	case logbook.Take, logbook.Handback:
		d.flag = s(x.Flag)
	case logbook.Dismiss:
		d.flag, d.why = s(x.Flag), s(x.Why)
	case logbook.Clock:
		d.device, d.offset = s(x.Device), x.Offset
	case logbook.Event:
		d.event = s(x.Event)
	case logbook.Visit:
		f.isClosed = x.State == "closed"
	case logbook.MilkingSum:
		d.passages, d.read = x.Passages, x.Read
	}
	f.detailed(&d)
	return f
}

// detailed gives f its detail, if that says anything.
func (f *fact) detailed(d *detail) {
	if *d != *noDetail {
		f.detail = &detail{}
		*f.detail = *d
	}
}

// room is where the next fact goes: they are made many at a time.
func (e *Engine) room() *fact {
	if len(e.slab) == 0 {
		e.slab = make([]fact, 128)
	}
	f := &e.slab[0]
	e.slab = e.slab[1:]
	return f
}

// intern gives the one copy that is kept of a string. What was asked for last
// is found without the map.
func (e *Engine) intern(s string) string {
	n := len(s)
	if n == 0 {
		return ""
	}
	recent := &e.recent[(int(s[n-1])+31*int(s[n*3/4])+59*int(s[n/2])+7*int(s[0])+n)%len(e.recent)]
	if *recent == s {
		return *recent
	}
	have, ok := e.strings[s]
	if !ok {
		have = string(append([]byte(nil), s...))
		e.strings[have] = have
	}
	*recent = have
	return have
}

// kindOf is a kind in the copy that the program has of it.
func kindOf(e *Engine, k logbook.Kind) logbook.Kind {
	switch k {
	case logbook.Tick:
		return logbook.Tick
	case logbook.Reading:
		return logbook.Reading
	case logbook.ModeSeen:
		return logbook.ModeSeen
	case logbook.Note:
		return logbook.Note
	}
	return logbook.Kind(e.intern(string(k)))
}

// killed says whether a later active entry voids or replaces f. Only greater
// ids count, so the greatest id is never killed and a void can be voided.
func (e *Engine) killed(f *fact) bool {
	if !f.targeted {
		return false
	}
	return slices.ContainsFunc(e.killers[f.id], func(k *fact) bool { return k.active })
}

// targets are the entries that f voids or replaces.
func (f *fact) targets() [2]logbook.EntryID {
	var t [2]logbook.EntryID
	if f.kind == logbook.Void && f.of < f.id {
		t[0] = f.of
	}
	if f.replaces < f.id {
		t[1] = f.replaces
	}
	return t
}

// refresh brings f.active up to date, and whatever depends on it.
func (e *Engine) refresh(f *fact) {
	active := f.inForce && !e.killed(f)
	if active == f.active {
		return
	}
	f.active = active
	e.touchFact(f)
	for _, id := range f.targets() {
		if id == "" {
			continue
		}
		if x := e.facts[id]; x != nil {
			e.refresh(x)
		}
	}
}

// factList is a list by (at, id).
type factList struct{ list []*fact }

func (l *factList) add(f *fact) {
	if n := len(l.list); n == 0 || l.list[n-1].before(f) {
		l.list = append(l.list, f)
		return
	}
	i := sort.Search(len(l.list), func(i int) bool { return f.before(l.list[i]) })
	l.list = slices.Insert(l.list, i, f)
}

// from is the index of the first with at >= t.
func (l *factList) from(t int64) int {
	return sort.Search(len(l.list), func(i int) bool { return l.list[i].at >= t })
}

// active calls do for the active facts in order.
func (l *factList) active(do func(f *fact)) {
	if l == nil {
		return
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
