// Package canon reads strict JSON and writes it in the one form of RFC 8785
// (JSON Canonicalization Scheme), so that equal values are equal bytes and a
// digest or signature over them means something.
//
// Parse refuses what two readers could understand differently: invalid UTF-8,
// repeated keys, lone surrogates, numbers beyond float64, bytes after the
// value. It is bounded in bytes, depth and number of values, so bytes from
// the network cannot make it use more than a stated amount of memory.
//
// The package is linked into the phone's WebAssembly: it imports neither fmt,
// encoding/json nor reflect.
package canon

import "strconv"

// Kind says which of the six JSON types a Value has.
type Kind uint8

// The JSON types. The zero Value is null.
const (
	Null Kind = iota
	Bool
	Number
	String
	List
	Object
)

var kindNames = [...]string{"null", "true or false", "a number", "text", "a list", "an object"}

// String names the kind as an error sentence would: "a number", "text".
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return "an unknown kind of value"
}

// Value is one JSON value. Only the fields of its Kind are set.
type Value struct {
	Kind Kind
	Str  string
	Num  float64
	Raw  string // number text as written; empty on numbers made in Go
	Bool bool
	List []Value
	Keys []string // in the order written; Append sorts
	Vals []Value  // parallel to Keys
}

// Text makes a string value.
func Text(s string) Value { return Value{Kind: String, Str: s} }

// Num64 makes a number. Infinities and NaN have no JSON form: Append writes
// them as null, and AppendNumber refuses them.
func Num64(f float64) Value { return Value{Kind: Number, Num: f} }

// Int makes a number from an integer; exact up to 2^53 in magnitude.
func Int(i int64) Value { return Value{Kind: Number, Num: float64(i)} }

// Truth makes true or false.
func Truth(b bool) Value { return Value{Kind: Bool, Bool: b} }

// ListOf makes a list.
func ListOf(vs ...Value) Value { return Value{Kind: List, List: vs} }

// Get returns the member of an object by key.
func (v Value) Get(key string) (Value, bool) {
	if v.Kind != Object {
		return Value{}, false
	}
	for i, k := range v.Keys {
		if k == key {
			return v.Vals[i], true
		}
	}
	return Value{}, false
}

// Set adds a member to an object, or replaces it. A null value becomes an
// object first, so that the zero Value can be built up.
func (v *Value) Set(key string, val Value) {
	if v.Kind != Object {
		*v = Value{Kind: Object}
	}
	for i, k := range v.Keys {
		if k == key {
			v.Vals[i] = val
			return
		}
	}
	v.Keys = append(v.Keys, key)
	v.Vals = append(v.Vals, val)
}

// Bounds of Parse. A plan with hundreds of checks and its time-zone table is
// well under 1 MiB; an entry is at most 8 KiB.
const (
	MaxBytes  = 8 << 20
	MaxDepth  = 64
	MaxValues = 1 << 18
)

// Error says where and why bytes are not acceptable JSON.
type Error struct {
	Offset int    // byte offset in the input
	Path   string // of the value being read, "chips[2]"; empty at the top
	Detail string // one sentence without the offset
}

func (e *Error) Error() string { return e.Detail + " (at byte " + strconv.Itoa(e.Offset) + ")" }

// under puts one more step in front of the path as an error passes outwards.
// Keys from the input may be of any length and content, so a long or odd one
// is left out.
func under(step string, err error) error {
	e, ok := err.(*Error)
	if !ok || !plain(step) {
		return err
	}
	switch {
	case e.Path == "":
		e.Path = step
	case e.Path[0] == '[':
		e.Path = step + e.Path
	default:
		e.Path = step + "." + e.Path
	}
	return e
}

func plain(step string) bool {
	for i := range len(step) {
		if step[i] <= ' ' || step[i] > '~' {
			return false
		}
	}
	return step != "" && len(step) <= 40
}
