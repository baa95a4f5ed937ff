package change

import (
	"bytes"
	"cmp"
	"math"
	"strings"
)

// Actor is the raw bytes of an actor id, one per app start. It names an author
// of operations inside a document and says nothing about a person.
type Actor string

// MaxActor is the longest actor id accepted, in bytes. Automerge draws 16.
const MaxActor = 64

// String gives the actor in lower-case hexadecimal.
func (a Actor) String() string { return hexOf([]byte(a)) }

// ParseActor reads an actor id from hexadecimal digits.
func ParseActor(s string) (Actor, error) {
	b := make([]byte, len(s)/2)
	if len(b) == 0 || len(b) > MaxActor || !unhex(b, s) {
		return "", refuse(CodeActor, "an actor id has 1 to 64 bytes in hexadecimal")
	}
	return Actor(b), nil
}

// OpID names one operation. The zero OpID is the root object, the head of a
// list, or none, as the field says.
type OpID struct {
	Counter uint64
	Actor   Actor
}

// IsZero reports whether the id names no operation.
func (id OpID) IsZero() bool { return id.Counter == 0 && id.Actor == "" }

// Compare orders ids as Automerge does: by counter, then by the actor's bytes.
// Of the live values of a key, the greatest wins.
func (id OpID) Compare(o OpID) int {
	if c := cmp.Compare(id.Counter, o.Counter); c != 0 {
		return c
	}
	return strings.Compare(string(id.Actor), string(o.Actor))
}

// Action is what an operation does.
type Action uint8

// The actions of the format.
const (
	MakeMap   Action = 0
	Set       Action = 1
	MakeList  Action = 2
	Delete    Action = 3
	MakeText  Action = 4
	Increment Action = 5
	MakeTable Action = 6
	Mark      Action = 7
)

// Makes reports whether the action makes an object.
func (a Action) Makes() bool {
	return a == MakeMap || a == MakeList || a == MakeText || a == MakeTable
}

// Op is one operation.
type Op struct {
	ID   OpID
	Obj  OpID   // the object it changes; zero = root
	Key  string // the key in a map, when IsElem is false
	Elem OpID   // the element of a list or text, when IsElem is true; zero = head

	IsElem bool
	Insert bool // a new element after Elem
	Action Action
	Value  Value  // of Set, Increment and the start of a Mark; else Null
	Pred   []OpID // the operations it replaces, ascending

	// Only for Mark: the start of a mark is named, its end is not.
	MarkNamed bool
	MarkName  string
	Expand    bool
}

// Kind is the type of a scalar.
type Kind uint8

// The kinds of scalar, numbered as in the format.
const (
	KindNull Kind = iota
	KindFalse
	KindTrue
	KindUint
	KindInt
	KindFloat
	KindString
	KindBytes
	KindCounter
	KindTimestamp // milliseconds since 1970-01-01T00:00:00Z
	KindUnknown   // a type of a later version: Code and Bytes are kept as they came
)

// Value is one scalar. Only the field of its kind is set: Int also holds
// counters and timestamps, Bytes also what is of unknown type.
type Value struct {
	Kind  Kind
	Code  uint8 // 10 to 15, of KindUnknown
	Str   string
	Int   int64
	Uint  uint64
	Float float64
	Bytes []byte
}

// Constructors, one per kind; the zero Value is null.

// Bool is a boolean value.
func Bool(b bool) Value {
	if b {
		return Value{Kind: KindTrue}
	}
	return Value{Kind: KindFalse}
}

// String is a scalar string (ImmutableString in JavaScript).
func String(s string) Value { return Value{Kind: KindString, Str: s} }

// Int is a signed integer.
func Int(i int64) Value { return Value{Kind: KindInt, Int: i} }

// Uint is an unsigned integer.
func Uint(u uint64) Value { return Value{Kind: KindUint, Uint: u} }

// Float is an IEEE 754 double.
func Float(f float64) Value { return Value{Kind: KindFloat, Float: f} }

// Bytes is a byte string; it is not copied.
func Bytes(b []byte) Value { return Value{Kind: KindBytes, Bytes: b} }

// Counter is a counter's starting value.
func Counter(i int64) Value { return Value{Kind: KindCounter, Int: i} }

// Timestamp is an instant in milliseconds since 1970.
func Timestamp(ms int64) Value { return Value{Kind: KindTimestamp, Int: ms} }

// Equal reports whether two values have the same kind and bits. Floats are
// compared by bits, so that a NaN equals itself.
func (v Value) Equal(o Value) bool {
	return v.Kind == o.Kind && v.Code == o.Code && v.Str == o.Str && v.Int == o.Int && v.Uint == o.Uint &&
		math.Float64bits(v.Float) == math.Float64bits(o.Float) && bytes.Equal(v.Bytes, o.Bytes)
}

// Change is one change: what one actor did in one go.
type Change struct {
	Hash    Hash
	Actor   Actor
	Seq     uint64 // 1 for the actor's first change
	StartOp uint64 // counter of the first operation
	Time    int64  // as in the chunk, within 53 bits; JavaScript writes seconds since 1970
	Message string // "" = none
	Deps    []Hash // ascending
	Ops     []Op
	Extra   []byte // what follows the columns: none, or a field of tag 1
	Bytes   []byte // the chunk in its uncompressed form, which is what is hashed
}

// MaxOp is the counter of the last operation, StartOp - 1 if there is none.
func (c *Change) MaxOp() uint64 { return c.StartOp + uint64(len(c.Ops)) - 1 }

// Limits bound the work that a chunk can cause.
type Limits struct {
	Chunk    int // bytes of the chunk as it came
	Inflated int // bytes of its contents, deflated or not
	Ratio    int // times that contents may be larger than they came deflated, but for the first 4 KiB; 0 = any
	Ops      int // operations
	OpBytes  int // bytes of contents that an operation, or a predecessor, takes at the least, but for the first 16; 0 = any
	Preds    int // predecessors over all operations
	Deps     int // dependencies
}

// Inflates is the most bytes that a deflated chunk of that size may hold.
func (l Limits) Inflates(size int) int {
	if l.Ratio == 0 {
		return l.Inflated
	}
	return min(l.Inflated, freeInflated+l.Ratio*size)
}

// DefaultLimits leave ample room for a site's plan written in one change.
var DefaultLimits = Limits{Chunk: 1 << 20, Inflated: 4 << 20, Ops: 50_000, Preds: 100_000, Deps: 1024}

// NewLogChange writes the change of one log entry: one scalar string under a
// new key of the root, replacing nothing.
func NewLogChange(actor Actor, seq, startOp uint64, deps []Hash, time int64, key, value string) (*Change, error) {
	c := &Change{
		Actor: actor, Seq: seq, StartOp: startOp, Time: time, Deps: deps,
		Ops: []Op{{Key: key, Action: Set, Value: String(value)}},
	}
	if err := Encode(c); err != nil {
		return nil, err
	}
	return c, nil
}
