package rules

import (
	"cmp"
	"errors"
	"hash/crc32"

	"gatewright/schema/arrange"
	"gatewright/schema/logbook"
	"gatewright/schema/num"
)

// The saved form: magic, then the plan's projection, heads, a table of
// strings, and the facts in the order of their ids; integers are variable
// length, least significant seven bits first. A CRC-32 (IEEE) of all before it
// ends it. What was worked out is not saved: it follows from the rest.
const magic = "gatewright rules 2\n"

// ErrDamaged is wrapped by every error of Load.
var ErrDamaged = errors.New("the saved rules state is damaged or of another version")

type damage struct{ detail string }

func (d damage) Error() string { return "loading rules state: " + d.detail }
func (d damage) Unwrap() error { return ErrDamaged }

// The bits of a fact's flags.
const (
	bitBad = 1 << iota
	bitStops
	bitOut
	bitValue
	bitU
	bitBaseline
	bitClosed
	bitAll = 1<<iota - 1
)

// Save writes plan, heads and entries, as far as the rules need them. Equal
// content gives equal bytes.
func (e *Engine) Save() []byte {
	facts := make([]*fact, 0, len(e.facts))
	for _, f := range e.facts {
		facts = append(facts, f)
	}
	arrange.By(facts, func(a, b *fact) int { return cmp.Compare(a.id, b.id) })

	var table []string
	index := map[string]uint64{}
	number := func(s string) uint64 {
		n, ok := index[s]
		if !ok {
			n = uint64(len(table))
			index[s] = n
			table = append(table, s)
		}
		return n
	}
	number("")
	var body []byte
	for _, f := range facts {
		for _, s := range f.texts() {
			body = putUint(body, number(*s))
		}
		var bits uint64
		for i, b := range [...]bool{f.bad, f.stops, f.out, f.hasValue, f.hasU, f.baseline, f.isClosed} {
			if b {
				bits |= 1 << i
			}
		}
		body = putUint(body, bits)
		body = putInt(body, f.at)
		for _, n := range f.numbers() {
			body = putInt(body, *n)
		}
	}

	b := []byte(magic)
	plan := uint64(0)
	if e.plan != nil {
		plan = 1
	}
	b = putUint(b, plan)
	b = putString(b, string(e.planJSON))
	docs := make([]string, 0, len(e.heads))
	for doc := range e.heads {
		docs = append(docs, doc)
	}
	arrange.Sort(docs)
	b = putUint(b, uint64(len(docs)))
	for _, doc := range docs {
		b = putString(b, doc)
		b = putUint(b, uint64(len(e.heads[doc])))
		for _, h := range e.heads[doc] {
			b = putString(b, h)
		}
	}
	b = putUint(b, uint64(len(table)))
	for _, s := range table {
		b = putString(b, s)
	}
	b = putUint(b, uint64(len(facts)))
	b = append(b, body...)
	return seal(b)
}

// seal appends the checksum.
func seal(b []byte) []byte {
	sum := crc32.ChecksumIEEE(b)
	return append(b, byte(sum), byte(sum>>8), byte(sum>>16), byte(sum>>24))
}

// Load reads what Save wrote; the engine then answers as one that was given
// the same plan, heads and entries.
func Load(b []byte) (*Engine, error) {
	n := len(b) - 4
	if n < len(magic) || string(b[:len(magic)]) != magic {
		return nil, damage{"it does not begin as version 2 does"}
	}
	sum := uint32(b[n]) | uint32(b[n+1])<<8 | uint32(b[n+2])<<16 | uint32(b[n+3])<<24
	if crc32.ChecksumIEEE(b[:n]) != sum {
		return nil, damage{"its checksum is wrong"}
	}
	r := reader{b: b[len(magic):n]}
	e := New()
	planned := r.uint() == 1
	planJSON := []byte(r.string())
	for range r.count(2) {
		doc := r.string()
		heads := make([]string, 0, 4)
		for range r.count(1) {
			heads = append(heads, r.string())
		}
		e.SetHeads(doc, heads)
	}
	table := make([]string, r.count(1))
	for i := range table {
		table[i] = e.intern(r.string())
	}
	for range r.count(4) {
		f := e.room()
		var d detail
		f.detail = &d
		for _, s := range f.texts() {
			i := r.uint()
			if i >= uint64(len(table)) {
				r.bad = true
				break
			}
			*s = table[i]
		}
		bits := r.uint()
		if bits&^bitAll != 0 {
			r.bad = true
		}
		f.bad, f.stops, f.out, f.hasValue = bits&bitBad != 0, bits&bitStops != 0, bits&bitOut != 0, bits&bitValue != 0
		f.hasU, f.baseline, f.isClosed = bits&bitU != 0, bits&bitBaseline != 0, bits&bitClosed != 0
		f.at = r.int()
		for _, n := range f.numbers() {
			*n = r.int()
		}
		f.detail = noDetail
		f.detailed(&d)
		if r.bad || !f.isSound() || e.facts[f.id] != nil {
			return nil, damage{"an entry cannot be read"}
		}
		e.insert(f)
	}
	if r.bad || len(r.b) > 0 {
		return nil, damage{"its length is wrong"}
	}
	if planned {
		p, err := logbook.ParsePlan(planJSON)
		if err != nil {
			return nil, damage{"its plan cannot be read: " + err.Error()}
		}
		e.SetPlan(p, planJSON)
	}
	return e, nil
}

// isSound says whether an entry can have been like this.
func (f *fact) isSound() bool {
	return f.id != "" && f.at >= logbook.FirstInstant && f.at <= logbook.LastInstant &&
		num.Micro.Abs(f.value) <= num.MicroMax && f.u >= 0 && f.u <= num.MicroMax &&
		f.passages >= 0 && f.passages <= 1e9 && f.read >= 0 && f.read <= f.passages
}

// texts are the strings of a fact in the order in which they are saved.
func (f *fact) texts() [18]*string {
	return [...]*string{
		(*string)(&f.id), (*string)(&f.kind), &f.by, &f.dev, &f.gate, &f.part, &f.check, &f.visit,
		(*string)(&f.replaces), (*string)(&f.of), &f.unit, &f.marks, &f.mode,
		&f.seen, &f.flag, &f.why, &f.device, &f.event,
	}
}

// numbers are those of its detail.
func (f *fact) numbers() [5]*int64 {
	return [...]*int64{(*int64)(&f.value), (*int64)(&f.u), &f.offset, &f.passages, &f.read}
}

func putUint(b []byte, n uint64) []byte {
	for ; n >= 0x80; n >>= 7 {
		b = append(b, byte(n)|0x80)
	}
	return append(b, byte(n))
}

func putInt(b []byte, n int64) []byte { return putUint(b, uint64(n)<<1^uint64(n>>63)) }

func putString(b []byte, s string) []byte { return append(putUint(b, uint64(len(s))), s...) }

// reader takes values from the front of b; bad sticks, and then all are zero.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) uint() uint64 {
	var n uint64
	for i := 0; i < len(r.b) && i < 10 && !r.bad; i++ {
		c := r.b[i]
		n |= uint64(c&0x7f) << (7 * i)
		if c < 0x80 {
			r.b = r.b[i+1:]
			return n
		}
	}
	r.bad = true
	return 0
}

func (r *reader) int() int64 {
	n := r.uint()
	return int64(n>>1) ^ -int64(n&1)
}

func (r *reader) string() string {
	n := r.uint()
	if r.bad || n > uint64(len(r.b)) {
		r.bad = true
		return ""
	}
	s := string(r.b[:n])
	r.b = r.b[n:]
	return s
}

// count reads how many things of at least size bytes follow.
func (r *reader) count(size int) int {
	n := r.uint()
	if r.bad || n > uint64(len(r.b)/size) {
		r.bad = true
		return 0
	}
	return int(n)
}
