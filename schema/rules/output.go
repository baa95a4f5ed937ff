package rules

import (
	"cmp"
	"strconv"

	"gatewright/schema/arrange"
	"gatewright/schema/canon"
	"gatewright/schema/logbook"
	"gatewright/schema/num"
)

// Output is what the rules say at an instant. Its slices must not be changed.
type Output struct {
	Basis      Basis
	Completion []Completion // by check
	Due        []Item       // by (due, check, why), parked ones last
	Flags      []Flag       // by (raised, subject, cleared)
	Future     int          // entries not yet in force
	// Wake is the least instant after now at which anything but Basis.Now
	// changes, given the same entries; valid with HasWake.
	Wake    int64
	HasWake bool
}

// Basis is what the output follows from: with an equal basis it is equal byte
// for byte.
type Basis struct {
	Documents map[string][]string // heads by document name
	Now       int64
	TZ        string // version of the time-zone data
}

// State says how a due item stands.
type State string

// The states of a due item.
const (
	Parked  State = "parked"  // the gate is out of service
	Overdue State = "overdue" // missed
	Late    State = "late"    // past due, in grace
	DoneNow State = "done"    // for now
	DueNow  State = "due"     // today
	Open    State = "open"    // later
)

// What makes an item due.
const (
	WhyCadence = "cadence"
	WhyRecheck = "recheck"
)

// Item is one line of the due list. Opens, Due and Late are not given when
// State is Parked.
type Item struct {
	Check, Gate, Part string
	Why               string
	State             State
	Opens, Due, Late  int64
	Last              *Done // the last time it was done
	Missed            int   // how many were missed, when overdue by cadence
}

// Done says when, by whom and in which entry; Why only of a dismissal.
type Done struct {
	At    int64
	By    string
	Entry logbook.EntryID
	Why   string
}

// Completion counts how the last N (at most 14) windows of a check closed.
type Completion struct {
	Check                 string
	N, Done, Late, Missed int
	From, To              int64 // due of the first and the last of them
}

// Severity says how much a flag matters.
type Severity string

// The severities.
const (
	Act   Severity = "act"
	Watch Severity = "watch"
	Know  Severity = "know"
)

// The rules that raise flags.
const (
	ruleOverdue  = "overdue"
	ruleLimit    = "limit"
	ruleNear     = "near"
	ruleBad      = "bad"
	ruleDisagree = "disagree"
	ruleManual   = "manual"
	ruleFault    = "fault"
	ruleClock    = "clock"
	ruleOdd      = "odd"
	ruleDoubt    = "doubt"
	ruleDrift    = "drift"
	ruleShift    = "shift"
	ruleRate     = "rate"
	ruleRepeat   = "repeat"
	ruleQuiet    = "quiet"
	ruleAltered  = "altered"
	ruleVisit    = "visit"
)

// Flag is one episode of a subject, open or cleared within the last 14 days.
type Flag struct {
	Subject           string // rule/target
	Rule              string
	Severity          Severity
	Gate, Part, Check string
	Raised            int64
	Cleared           int64 // valid with HasCleared
	HasCleared        bool
	Key               string  // of the message
	Params            []Param // of the message, sorted by name
	Entries           []logbook.EntryID
	Taken             *Done
	Dismissed         *Done
	Acts              []logbook.EntryID
	Under             string // subject of a listed flag of the same cause
}

// Param is one parameter of a message: text or a number.
type Param struct {
	Name    string
	Text    string
	Number  num.Micro // in millionths, unless Whole
	IsText  bool
	IsWhole bool
	Whole   int64
}

func textParam(name, s string) Param            { return Param{Name: name, Text: s, IsText: true} }
func wholeParam(name string, n int64) Param     { return Param{Name: name, Whole: n, IsWhole: true} }
func microParam(name string, m num.Micro) Param { return Param{Name: name, Number: m} }

func sortParams(ps []Param) []Param {
	arrange.By(ps, func(a, b Param) int { return cmp.Compare(a.Name, b.Name) })
	return ps
}

func compareItems(a, b *Item) int {
	if p, q := a.State == Parked, b.State == Parked; p != q {
		if p {
			return 1
		}
		return -1
	} else if !p {
		if c := cmp.Compare(a.Due, b.Due); c != 0 {
			return c
		}
	}
	return cmp.Or(cmp.Compare(a.Check, b.Check), cmp.Compare(a.Why, b.Why))
}

// compareFlags puts what is open after what is cleared: of a check's visits two
// can be raised at one instant.
func compareFlags(a, b *Flag) int {
	if c := cmp.Or(cmp.Compare(a.Raised, b.Raised), cmp.Compare(a.Subject, b.Subject)); c != 0 {
		return c
	}
	until := func(f *Flag) int64 {
		if f.HasCleared {
			return f.Cleared
		}
		return never
	}
	return cmp.Compare(until(a), until(b))
}

// AppendJSON appends the output as canonical JSON (RFC 8785).
func (o *Output) AppendJSON(b []byte) []byte {
	b = append(b, `{"basis":{"documents":{`...)
	names := make([]string, 0, len(o.Basis.Documents))
	for name := range o.Basis.Documents {
		names = append(names, name)
	}
	canon.SortKeys(names)
	for i, name := range names {
		b = canon.AppendString(comma(b, i), name)
		b = append(b, ":["...)
		for j, h := range o.Basis.Documents[name] {
			b = canon.AppendString(comma(b, j), h)
		}
		b = append(b, ']')
	}
	b = append(b, '}')
	b = whole(b, `,"now":`, o.Basis.Now)
	b = text(b, `,"tz":`, o.Basis.TZ)
	b = append(b, `,"v":1},"completion":[`...)
	for i := range o.Completion {
		b = o.Completion[i].appendJSON(comma(b, i))
	}
	b = append(b, `],"due":[`...)
	for i := range o.Due {
		b = o.Due[i].appendJSON(comma(b, i))
	}
	b = append(b, `],"flags":[`...)
	for i := range o.Flags {
		b = o.Flags[i].appendJSON(comma(b, i))
	}
	b = whole(b, `],"future":`, int64(o.Future))
	if o.HasWake {
		b = whole(b, `,"wake":`, o.Wake)
	}
	return append(b, '}')
}

func (c *Completion) appendJSON(b []byte) []byte {
	b = text(b, `{"check":`, c.Check)
	b = whole(b, `,"done":`, int64(c.Done))
	b = whole(b, `,"from":`, c.From)
	b = whole(b, `,"late":`, int64(c.Late))
	b = whole(b, `,"missed":`, int64(c.Missed))
	b = whole(b, `,"n":`, int64(c.N))
	b = whole(b, `,"to":`, c.To)
	return append(b, '}')
}

func (i *Item) appendJSON(b []byte) []byte {
	b = text(b, `{"check":`, i.Check)
	timed := i.State != Parked
	if timed {
		b = whole(b, `,"due":`, i.Due)
	}
	b = text(b, `,"gate":`, i.Gate)
	if i.Last != nil {
		b = i.Last.appendJSON(append(b, `,"last":`...))
	}
	if timed {
		b = whole(b, `,"late":`, i.Late)
		if i.Missed > 0 {
			b = whole(b, `,"missed":`, int64(i.Missed))
		}
		b = whole(b, `,"opens":`, i.Opens)
	}
	b = optional(b, `,"part":`, i.Part)
	b = text(b, `,"state":`, string(i.State))
	b = text(b, `,"why":`, i.Why)
	return append(b, '}')
}

func (d *Done) appendJSON(b []byte) []byte {
	b = whole(b, `{"at":`, d.At)
	b = text(b, `,"by":`, d.By)
	b = text(b, `,"entry":`, string(d.Entry))
	b = optional(b, `,"why":`, d.Why)
	return append(b, '}')
}

func (f *Flag) appendJSON(b []byte) []byte {
	b = ids(b, `{"acts":[`, f.Acts)
	b = optional(b, `,"check":`, f.Check)
	if f.HasCleared {
		b = whole(b, `,"cleared":`, f.Cleared)
	}
	if f.Dismissed != nil {
		b = f.Dismissed.appendJSON(append(b, `,"dismissed":`...))
	}
	b = ids(b, `,"entries":[`, f.Entries)
	b = optional(b, `,"gate":`, f.Gate)
	b = text(b, `,"key":`, f.Key)
	b = append(b, `,"params":{`...)
	for i, p := range f.Params {
		b = canon.AppendString(comma(b, i), p.Name)
		b = append(b, ':')
		switch {
		case p.IsText:
			b = canon.AppendString(b, p.Text)
		case p.IsWhole:
			b = strconv.AppendInt(b, p.Whole, 10)
		default:
			b = p.Number.Append(b)
		}
	}
	b = append(b, '}')
	b = optional(b, `,"part":`, f.Part)
	b = whole(b, `,"raised":`, f.Raised)
	b = text(b, `,"rule":`, f.Rule)
	b = text(b, `,"severity":`, string(f.Severity))
	b = text(b, `,"subject":`, f.Subject)
	if f.Taken != nil {
		b = f.Taken.appendJSON(append(b, `,"taken":`...))
	}
	b = optional(b, `,"under":`, f.Under)
	return append(b, '}')
}

func comma(b []byte, i int) []byte {
	if i > 0 {
		b = append(b, ',')
	}
	return b
}

func whole(b []byte, key string, n int64) []byte {
	return strconv.AppendInt(append(b, key...), n, 10)
}

func text(b []byte, key, s string) []byte { return canon.AppendString(append(b, key...), s) }

func optional(b []byte, key, s string) []byte {
	if s == "" {
		return b
	}
	return text(b, key, s)
}

func ids(b []byte, key string, list []logbook.EntryID) []byte {
	b = append(b, key...)
	for i, id := range list {
		b = canon.AppendString(comma(b, i), string(id))
	}
	return append(b, ']')
}
