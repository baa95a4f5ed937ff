// Package fold projects a document of maps of scalars from its changes, with
// the conflicts that concurrent edits left.
//
// It works on decoded operations, in pure Go, because the native library does
// not expose conflicts and is not there on phones. A value is live if no later
// operation names it as predecessor; of the live values of a key the one with
// the greatest id (counter, then actor bytes) wins, as in Automerge. The
// result depends on the set of changes applied and not on their order, so
// equal heads give equal bytes.
//
// The two documents of a site are maps of maps of scalars and of flat keys.
// Lists, texts, tables and marks are refused as unsupported.
package fold

import (
	"slices"

	"gatewright/sync/change"
)

// Codes of the *change.Error that Apply gives, beside those of package change.
const (
	// CodeUnsupported: the document is not made of maps of scalars.
	CodeUnsupported = "unsupported"
)

// MaxDepth is how deep maps may be nested; the root is at depth 0.
const MaxDepth = 16

// Fold is the projection of one document. It is not safe for concurrent use.
type Fold struct {
	objects map[change.OpID]*object
	applied map[change.Hash]bool // true = nothing applied depends on it: a head
	last    map[change.Actor]uint64
}

type object struct {
	depth int
	slots map[string]slot
}

// slot holds every value ever written under one key, ascending by id. The dead
// ones keep their id, because a concurrent change may still name them.
type slot []entry

type entry struct {
	id      change.OpID
	dead    bool
	object  bool
	counter bool
	value   change.Value // of a counter, the start and all increments
	from    *origin
}

type origin struct {
	hash  change.Hash
	actor change.Actor
	time  int64
}

func (s slot) find(id change.OpID) (int, bool) {
	return slices.BinarySearchFunc(s, id, func(e entry, id change.OpID) int { return e.id.Compare(id) })
}

// winner is the live entry with the greatest id.
func (s slot) winner() (entry, bool) {
	for i := len(s) - 1; i >= 0; i-- {
		if !s[i].dead {
			return s[i], true
		}
	}
	return entry{}, false
}

// New gives the fold of an empty document.
func New() *Fold {
	return &Fold{
		objects: map[change.OpID]*object{{}: {slots: map[string]slot{}}},
		applied: map[change.Hash]bool{},
		last:    map[change.Actor]uint64{},
	}
}

// Has reports whether the change has been applied.
func (f *Fold) Has(h change.Hash) bool {
	_, ok := f.applied[h]
	return ok
}

// Heads gives the changes that no applied change depends on, ascending: what
// this projection was made from.
func (f *Fold) Heads() []change.Hash {
	var out []change.Hash
	for h, head := range f.applied {
		if head {
			out = append(out, h)
		}
	}
	slices.SortFunc(out, change.Hash.Compare)
	return out
}

// Apply adds one change, which must come from change.Decode or change.Encode
// and after all it depends on. A change known already is passed over. After an
// error, which is a *change.Error, the fold is as it was before.
func (f *Fold) Apply(c *change.Change) error {
	if f.Has(c.Hash) {
		return nil
	}
	if err := f.check(c); err != nil {
		return err
	}
	from := &origin{c.Hash, c.Actor, c.Time}
	for i := range c.Ops {
		f.apply(&c.Ops[i], from)
	}
	for _, d := range c.Deps {
		f.applied[d] = false
	}
	f.applied[c.Hash] = true
	f.last[c.Actor] = max(f.last[c.Actor], c.MaxOp())
	return nil
}

// apply does one operation. An increment leaves the counters it names alive,
// and replaces what it names that is no counter: after a conflict it names all.
func (f *Fold) apply(op *change.Op, from *origin) {
	obj := f.objects[op.Obj]
	s := obj.slots[op.Key]
	for _, p := range op.Pred {
		i, ok := s.find(p)
		switch {
		case !ok: // ruled out by check
		case op.Action == change.Increment && s[i].counter:
			s[i].value.Int += step(op.Value) // harmless on a dead one
		default:
			s[i] = entry{id: p, dead: true, object: s[i].object, counter: s[i].counter}
		}
	}
	switch op.Action {
	case change.MakeMap:
		f.objects[op.ID] = &object{depth: obj.depth + 1, slots: map[string]slot{}}
	case change.Set:
	default:
		return
	}
	i, _ := s.find(op.ID)
	e := entry{
		id: op.ID, object: op.Action == change.MakeMap, counter: op.Value.Kind == change.KindCounter,
		value: op.Value, from: from,
	}
	obj.slots[op.Key] = slices.Insert(s, i, e)
}

// step is by how much an increment changes a counter; it wraps as in Automerge.
func step(v change.Value) int64 {
	if v.Kind == change.KindUint {
		return int64(v.Uint)
	}
	return v.Int
}
