package admit

import (
	"encoding/base64"
	"math"
	"slices"

	"gatewright/schema/canon"
	"gatewright/schema/logbook"
	"gatewright/sync/change"
)

// Plan knows where every map of the plan hangs and which operation wrote what:
// as much of it as the check of an edit and the writing of one need.
type Plan struct {
	places map[change.OpID]Place
	makers map[change.OpID]change.Hash
	maps   map[Place]change.OpID // the map that wins, by place
	slots  map[slot][]written    // ascending by operation
}

// Place is a map of the plan. Item is "" for the collection itself; the site's
// fields stand directly in the collection "site".
type Place struct{ Collection, Item string }

type slot struct {
	obj change.OpID
	key string
}

type written struct {
	id    change.OpID
	by    change.Hash
	value change.Value
	dead  bool
}

// NewPlan gives the empty plan.
func NewPlan() *Plan {
	return &Plan{
		places: map[change.OpID]Place{}, makers: map[change.OpID]change.Hash{}, maps: map[Place]change.OpID{}, slots: map[slot][]written{},
	}
}

// Apply adds a change that was admitted, after all it depends on.
func (p *Plan) Apply(c *change.Change) {
	for i := range c.Ops {
		op := &c.Ops[i]
		at := slot{op.Obj, op.Key}
		for j := range p.slots[at] {
			if slices.Contains(op.Pred, p.slots[at][j].id) {
				p.slots[at][j].dead = true
			}
		}
		s := p.slots[at]
		k, _ := slices.BinarySearchFunc(s, op.ID, func(w written, id change.OpID) int { return w.id.Compare(id) })
		p.slots[at] = slices.Insert(s, k, written{id: op.ID, by: c.Hash, value: op.Value})
		if op.Action != change.MakeMap {
			continue
		}
		var place Place
		if op.Obj.IsZero() {
			place = Place{Collection: op.Key}
		} else {
			place = Place{p.places[op.Obj].Collection, op.Key}
		}
		p.places[op.ID], p.makers[op.ID] = place, c.Hash
		if old, ok := p.maps[place]; !ok || old.Compare(op.ID) < 0 {
			p.maps[place] = op.ID
		}
	}
}

// Place says where the map hangs that an operation made.
func (p *Plan) Place(obj change.OpID) (Place, bool) {
	at, ok := p.places[obj]
	return at, ok
}

// maker gives the change that made a map.
func (p *Plan) maker(obj change.OpID) (change.Hash, bool) {
	h, ok := p.makers[obj]
	return h, ok
}

// Map gives the operation that made the map at a place.
func (p *Plan) Map(at Place) (change.OpID, bool) {
	id, ok := p.maps[at]
	return id, ok
}

// Live gives the operations whose values stand under a key, ascending, and the
// value that wins.
func (p *Plan) Live(obj change.OpID, key string) (ids []change.OpID, value change.Value) {
	for _, w := range p.slots[slot{obj, key}] {
		if !w.dead {
			ids, value = append(ids, w.id), w.value
		}
	}
	return ids, value
}

// writer gives the change of an operation that wrote under a key.
func (p *Plan) writer(obj change.OpID, key string, id change.OpID) (change.Hash, bool) {
	for _, w := range p.slots[slot{obj, key}] {
		if w.id == id {
			return w.by, true
		}
	}
	return change.Hash{}, false
}

// Scalar is the value as a projection shows it: byte strings in base64,
// instants as numbers. False for what the plan does not hold.
func Scalar(v change.Value) (canon.Value, bool) {
	switch v.Kind {
	case change.KindNull:
		return canon.Value{}, true
	case change.KindFalse, change.KindTrue:
		return canon.Truth(v.Kind == change.KindTrue), true
	case change.KindInt, change.KindTimestamp:
		return canon.Int(v.Int), -1<<53 <= v.Int && v.Int <= 1<<53
	case change.KindUint:
		return canon.Num64(float64(v.Uint)), v.Uint <= 1<<53
	case change.KindFloat:
		return canon.Num64(v.Float), !math.IsNaN(v.Float) && !math.IsInf(v.Float, 0)
	case change.KindString:
		return canon.Text(v.Str), true
	case change.KindBytes:
		return canon.Text(base64.StdEncoding.EncodeToString(v.Bytes)), true
	}
	return canon.Value{}, false
}

// CheckField judges one value for a field of the plan; "" when it fits.
func CheckField(collection, field string, v change.Value) string {
	s, ok := Scalar(v)
	if !ok {
		return quote(field) + " must be a plain value"
	}
	if p := logbook.CheckPlanField(collection, field, s); p != nil {
		return p.Error()
	}
	return ""
}
