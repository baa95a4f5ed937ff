package logbook

import (
	"bytes"

	"gatewright/schema/canon"
	"gatewright/schema/num"
)

// Kind says what an entry records.
type Kind string

// The kinds of entry. What each holds is in the table of kinds.go.
const (
	Tick       Kind = "tick"       // a check looked at and found right, or bad
	Reading    Kind = "reading"    // a number, or where a needle stood between its marks
	Indication Kind = "indicator"  // the state of an indicator of the gate
	ModeSeen   Kind = "mode"       // the gate found in, or put to, automatic or manual
	Tally      Kind = "count"      // hits out of trials
	Note       Kind = "note"       // words or chips
	Attachment Kind = "attachment" // a photo or voice note, by digest
	Fault      Kind = "fault"      // something is wrong with a gate
	Fixed      Kind = "fixed"      // a fault is put right
	Handover   Kind = "handover"   // from one milking to the next
	Seen       Kind = "seen"       // a hand-over or fault was read
	Park       Kind = "park"       // a gate goes out of service or comes back
	Event      Kind = "event"      // power cut, wash-down, frost …
	Take       Kind = "take"       // a person takes a flag
	Handback   Kind = "handback"   // and gives it back
	Dismiss    Kind = "dismiss"    // a manager sets it aside, with a reason
	Void       Kind = "void"       // an entry was wrong
	Isolate    Kind = "isolate"    // a gate was made safe before hands went in
	Fitting    Kind = "fitted"     // a part was fitted or renewed
	Taught     Kind = "taught"     // a person was shown something
	Visit      Kind = "visit"      // a service visit opened or closed
	Sign       Kind = "sign"       // a signature over a visit
	Receipt    Kind = "receipt"    // the server's answer to a signature
	MilkingSum Kind = "milking"    // the pass log's summary of one milking
	Survey     Kind = "survey"     // one measured point before an installation
	Clock      Kind = "clock"      // how far a device's clock was off
	Admitted   Kind = "admitted"   // a held entry was let in, and how
)

// Bounds of an entry.
const (
	MaxEntryBytes = 8 << 10 // of its canonical JSON
	MaxText       = 2000    // characters of text and why
)

// Entry is one immutable record of the log. The common fields come first; of
// the rest only those of its Kind are set. Instants are ms since the epoch.
type Entry struct {
	ID       EntryID
	V        int // 1
	Kind     Kind
	At       int64  // when the thing was done
	Off      int64  // ms that were added to the phone's clock
	By       string // person id, or Server
	Dev      string // device id, or Server
	Gate     string
	Part     string
	Check    string
	Visit    string
	Round    string
	Replaces EntryID

	Bad       bool // tick: found not right
	HasValue  bool // reading and survey: Value is set
	Value     num.Micro
	Unit      string
	Marks     string // below, between, above
	Method    string
	Repeats   []num.Micro
	HasU      bool // reading: U is set
	U         num.Micro
	Before    bool // reading taken before the work
	Baseline  bool // reading taken as the baseline
	Indicator string
	State     string // of an indicator; opened or closed of a visit
	Mode      string // automatic, manual
	Hits      int64
	Trials    int64
	Text      string
	Chips     []string

	SHA256  string // attachment, 64 lower-case hexadecimal digits
	Type    string // attachment's media type
	Bytes   int64
	Seconds int64 // of a voice note; 0 = not given

	Seen      string  // fault: what was seen
	Stops     bool    // fault: milking stops
	Of        EntryID // the earlier entry that this one is about
	ToMilking string  // handover: the milking it is meant for (JSON: to)
	Out       bool    // park: out of service
	Event     string
	Flag      string // subject of the flag: rule/target
	Why       string
	Steps     []string // isolate
	Item      string   // fitted: what was fitted
	Serial    string

	Removed  string // fitted: serial of the part taken off
	Passes   int64  // fitted: passages of the part taken off; valid with HasPasses
	Warranty string // fitted: last day, YYYY-MM-DD
	Finding  string // fitted: what the removed part looked like

	HasPasses bool
	Person    string // taught: who was shown
	Topic     string
	Step      string // shown, done, taught-back
	Purpose   string
	JWS       string

	From, To               int64 // milking: its span
	Passages, Read, Sorted int64
	Wrong, Followers       int64
	HasWrong, HasFollowers bool
	Survey, Point          string
	X, Y, Height           num.Micro // survey, m
	HasX, HasY, HasHeight  bool
	Device                 string // clock: whose
	Offset                 int64  // clock: server minus device, ms
	How                    string // admitted: relayed, restored, accepted
	Via                    string // admitted: the device that brought it

	// Raw is the entry as stored: canonical JSON, unknown fields included.
	Raw []byte
}

// ParseEntry reads one entry. raw must be its RFC 8785 form, since these very
// bytes are hashed and signed. Fields that this version does not know are kept
// in Raw and otherwise ignored. The error is a *Problem.
func ParseEntry(raw []byte) (*Entry, error) {
	e := &Entry{}
	if e.quick(string(raw)) {
		e.Raw = bytes.Clone(raw)
		return e, nil
	}
	return parse(raw)
}

// ReadEntry is ParseEntry into an entry that may have been used before, with
// hardly any memory of its own: all strings but ids are parts of text, and Raw
// stays nil. After an error e is empty.
func ReadEntry(e *Entry, text string) error {
	*e = Entry{}
	if e.quick(text) {
		return nil
	}
	*e = Entry{}
	x, err := parse([]byte(text))
	if err != nil {
		return err
	}
	*e, e.Raw = *x, nil
	return nil
}

// parse reads any entry, through the values of its JSON.
func parse(raw []byte) (*Entry, error) {
	if len(raw) == 0 {
		return nil, &Problem{Detail: "the entry is empty"}
	}
	if len(raw) > MaxEntryBytes {
		return nil, &Problem{Detail: "the entry is larger than 8 KiB", relation: true}
	}
	v, err := canon.Parse(raw)
	if err != nil {
		return nil, notJSON("the entry", "", err)
	}
	if v.Kind != canon.Object {
		return nil, &Problem{Detail: "the entry must be an object, not " + v.Kind.String()}
	}
	e := &Entry{}
	if p := e.read(v); p != nil {
		return nil, p
	}
	if !bytes.Equal(canon.Append(make([]byte, 0, len(raw)), v), raw) {
		return nil, &Problem{Detail: "the entry is not in its canonical form (RFC 8785)", relation: true}
	}
	e.Raw = bytes.Clone(raw)
	return e, nil
}

func (e *Entry) read(v canon.Value) *Problem {
	for i := range commonFields {
		if p := commonFields[i].read(e, v); p != nil {
			return p
		}
	}
	spec := specOf(e.Kind)
	if spec == nil {
		return problem("kind", "is unknown")
	}
	for i := range spec.fields {
		if p := spec.fields[i].read(e, v); p != nil {
			return p
		}
	}
	return e.relations(spec)
}

// Encode returns the canonical bytes of the fields that its kind has; what
// else is set in the struct is left out, Raw is not looked at. The result is
// read back, so an entry that Encode returns is one that ParseEntry accepts.
func (e Entry) Encode() ([]byte, error) {
	spec := specOf(e.Kind)
	if spec == nil {
		return nil, problem("kind", "is unknown")
	}
	if e.V == 0 {
		e.V = 1
	}
	var v canon.Value
	for _, fields := range [][]field{commonFields, spec.fields} {
		for i := range fields {
			if val, ok := fields[i].put(&e); ok {
				v.Set(fields[i].name, val)
			}
		}
	}
	raw := canon.Append(nil, v)
	if _, err := ParseEntry(raw); err != nil {
		return nil, err
	}
	return raw, nil
}
