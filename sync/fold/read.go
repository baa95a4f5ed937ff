package fold

import (
	"encoding/base64"
	"slices"

	"gatewright/schema/canon"
	"gatewright/sync/change"
)

// LiveValue is one of the values that a key has at once.
type LiveValue struct {
	Value  change.Value // a counter with its increments; Null for a map
	Object bool         // the value is a map
	JSON   []byte       // the value, or the map's own projection, in canonical JSON

	ID     change.OpID  // the operation that wrote it
	Change change.Hash  // the change that operation is in
	Actor  change.Actor // who made the change
	Time   int64        // when, as the change says
}

// Conflict is a key with live values that differ.
type Conflict struct {
	Path   []string    // keys from the root
	Values []LiveValue // the winner first, then by descending id
}

// JSON gives the document in canonical JSON (RFC 8785): of each key the
// winner, byte strings in base64, counters and timestamps as numbers, what is
// not a finite number as null. Integers beyond 2^53 lose precision, as they do
// in every JSON of that form.
func (f *Fold) JSON() []byte { return f.appendObject(nil, f.objects[change.OpID{}]) }

// Get gives the winner at a path of keys: its value, or whether it is a map.
func (f *Fold) Get(path ...string) (v change.Value, object, ok bool) {
	at := f.objects[change.OpID{}]
	var e entry
	for i, key := range path {
		if i > 0 {
			if !e.object {
				return change.Value{}, false, false
			}
			at = f.objects[e.id]
		}
		if e, ok = at.slots[key].winner(); !ok {
			return change.Value{}, false, false
		}
	}
	return e.value, e.object || len(path) == 0, true
}

// keys gives the keys that have a live value, in canonical order.
func (o *object) keys() []string {
	keys := make([]string, 0, len(o.slots))
	for k, s := range o.slots {
		if _, ok := s.winner(); ok {
			keys = append(keys, k)
		}
	}
	canon.SortKeys(keys)
	return keys
}

func (f *Fold) appendObject(dst []byte, o *object) []byte {
	dst = append(dst, '{')
	for i, k := range o.keys() {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(canon.AppendString(dst, k), ':')
		e, _ := o.slots[k].winner()
		dst = f.appendEntry(dst, e)
	}
	return append(dst, '}')
}

func (f *Fold) appendEntry(dst []byte, e entry) []byte {
	if e.object {
		return f.appendObject(dst, f.objects[e.id])
	}
	return appendScalar(dst, e.value)
}

func appendScalar(dst []byte, v change.Value) []byte {
	switch v.Kind {
	case change.KindFalse:
		return append(dst, "false"...)
	case change.KindTrue:
		return append(dst, "true"...)
	case change.KindString:
		return canon.AppendString(dst, v.Str)
	case change.KindBytes:
		return canon.AppendString(dst, base64.StdEncoding.EncodeToString(v.Bytes))
	case change.KindUint:
		return appendNumber(dst, float64(v.Uint))
	case change.KindInt, change.KindCounter, change.KindTimestamp:
		return appendNumber(dst, float64(v.Int))
	case change.KindFloat:
		return appendNumber(dst, v.Float)
	}
	return append(dst, "null"...)
}

func appendNumber(dst []byte, x float64) []byte {
	out, err := canon.AppendNumber(dst, x)
	if err != nil {
		return append(dst, "null"...)
	}
	return out
}

// Conflicts gives the keys, on the way of the winners, whose live values
// differ, in canonical order of their paths. Values are equal if a reader of
// the document cannot tell them apart: numbers by what they amount to, all
// else by kind and content. Two maps always differ, for what was written into
// the losing one is hidden.
func (f *Fold) Conflicts() []Conflict {
	return f.conflicts(nil, f.objects[change.OpID{}], nil)
}

func (f *Fold) conflicts(out []Conflict, o *object, path []string) []Conflict {
	for _, k := range o.keys() {
		s := o.slots[k]
		here := append(slices.Clip(path), k)
		e, _ := s.winner()
		if differ(s) {
			c := Conflict{Path: slices.Clone(here)}
			for i := len(s) - 1; i >= 0; i-- {
				if !s[i].dead {
					c.Values = append(c.Values, f.live(s[i]))
				}
			}
			out = append(out, c)
		}
		if e.object {
			out = f.conflicts(out, f.objects[e.id], here)
		}
	}
	return out
}

func (f *Fold) live(e entry) LiveValue {
	return LiveValue{
		Value: e.value, Object: e.object, JSON: f.appendEntry(nil, e),
		ID: e.id, Change: e.from.hash, Actor: e.from.actor, Time: e.from.time,
	}
}

func differ(s slot) bool {
	var first *entry
	for i := range s {
		switch {
		case s[i].dead:
		case first == nil:
			first = &s[i]
		case first.object || s[i].object || !equal(first.value, s[i].value):
			return true
		}
	}
	return false
}

func equal(a, b change.Value) bool {
	if isNumber(a) && isNumber(b) {
		return string(appendScalar(nil, a)) == string(appendScalar(nil, b))
	}
	return a.Equal(b)
}

func isNumber(v change.Value) bool {
	return v.Kind == change.KindUint || v.Kind == change.KindInt || v.Kind == change.KindFloat
}
