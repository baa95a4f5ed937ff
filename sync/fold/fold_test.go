package fold_test

import (
	"errors"
	"slices"
	"testing"

	"gatewright/sync/change"
	"gatewright/sync/fold"
)

func encode(t testing.TB, c *change.Change) *change.Change {
	t.Helper()
	if err := change.Encode(c); err != nil {
		t.Fatal(err)
	}
	return c
}

func set(key string, v change.Value, pred ...change.OpID) change.Op {
	return change.Op{Key: key, Action: change.Set, Value: v, Pred: pred}
}

func id(n uint64, actor change.Actor) change.OpID { return change.OpID{Counter: n, Actor: actor} }

// What cannot be applied is refused with its code and changes nothing, not
// even by the operations that stand before the bad one.
func TestRefused(t *testing.T) {
	first := encode(t, &change.Change{Actor: "a", Seq: 1, StartOp: 1, Ops: []change.Op{
		{Key: "gates", Action: change.MakeMap},
		{Obj: id(1, "a"), Key: "east", Action: change.Set, Value: change.Int(1)},
		set("n", change.Counter(1)),
	}})
	good := set("ok", change.Bool(true))
	deep := []change.Op{}
	at := change.OpID{}
	for n := range uint64(fold.MaxDepth + 1) {
		deep = append(deep, change.Op{Obj: at, Key: "m", Action: change.MakeMap})
		at = id(4+n, "b")
	}
	for _, x := range []struct {
		name string
		c    *change.Change
		code string
	}{
		{"unknown dependency", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Deps: []change.Hash{{9}}, Ops: []change.Op{good}}, "deps"},
		{"unknown object", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Deps: []change.Hash{first.Hash}, Ops: []change.Op{
			good, {Obj: id(3, "z"), Key: "k", Action: change.Set}}}, "object"},
		{"object is a value", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Deps: []change.Hash{first.Hash}, Ops: []change.Op{
			good, {Obj: id(2, "a"), Key: "k", Action: change.Set}}}, "object"},
		{"unknown predecessor", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Deps: []change.Hash{first.Hash}, Ops: []change.Op{
			good, set("n", change.Int(2), id(3, "z"))}}, "pred"},
		{"predecessor under another key", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Deps: []change.Hash{first.Hash}, Ops: []change.Op{
			good, set("m", change.Int(2), id(3, "a"))}}, "pred"},
		{"predecessor in another object", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Deps: []change.Hash{first.Hash}, Ops: []change.Op{
			good, set("east", change.Int(2), id(2, "a"))}}, "pred"},
		{"counters used before", &change.Change{Actor: "a", Seq: 2, StartOp: 3, Deps: []change.Hash{first.Hash}, Ops: []change.Op{good}}, "start"},
		{"list", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Ops: []change.Op{good, {Key: "l", Action: change.MakeList}}}, "unsupported"},
		{"text", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Ops: []change.Op{good, {Key: "l", Action: change.MakeText}}}, "unsupported"},
		{"unknown type", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Ops: []change.Op{
			good, set("u", change.Value{Kind: change.KindUnknown, Code: 12, Bytes: []byte{1}})}}, "unsupported"},
		{"too deep", &change.Change{Actor: "b", Seq: 1, StartOp: 4, Ops: deep}, "unsupported"},
	} {
		f := fold.New()
		if err := f.Apply(first); err != nil {
			t.Fatal(err)
		}
		before := string(f.JSON())
		err := f.Apply(encode(t, x.c))
		var e *change.Error
		if !errors.As(err, &e) || e.Code != x.code {
			t.Errorf("%s: %v, want code %s", x.name, err, x.code)
		}
		if got := string(f.JSON()); got != before || !slices.Equal(f.Heads(), []change.Hash{first.Hash}) {
			t.Errorf("%s: left %s", x.name, got)
		}
		// The same author can still make a change that is right.
		again := encode(t, &change.Change{Actor: x.c.Actor, Seq: 2, StartOp: 30, Deps: []change.Hash{first.Hash}, Ops: []change.Op{good}})
		if err := f.Apply(again); err != nil {
			t.Errorf("%s: afterwards: %v", x.name, err)
		}
	}
}

func TestEqualValuesAreNoConflict(t *testing.T) {
	for _, x := range []struct {
		a, b     change.Value
		conflict bool
	}{
		{change.String("x"), change.String("x"), false},
		{change.String("x"), change.String("y"), true},
		{change.Int(5), change.Uint(5), false},
		{change.Int(5), change.Float(5), false},
		{change.Int(5), change.Float(5.5), true},
		{change.Int(1), change.Bool(true), true},
		{change.Value{}, change.Value{}, false},
		{change.Value{}, change.Bool(false), true},
		{change.String("AQ=="), change.Bytes([]byte{1}), true}, // one spelling, two kinds
		{change.Timestamp(5), change.Int(5), true},
	} {
		f := fold.New()
		for actor, v := range map[change.Actor]change.Value{"a": x.a, "b": x.b} {
			if err := f.Apply(encode(t, &change.Change{Actor: actor, Seq: 1, StartOp: 1, Ops: []change.Op{set("k", v)}})); err != nil {
				t.Fatal(err)
			}
		}
		if got := len(f.Conflicts()) > 0; got != x.conflict {
			t.Errorf("%+v against %+v: conflict %v", x.a, x.b, got)
		}
		if v, _, _ := f.Get("k"); !v.Equal(x.b) {
			t.Errorf("%+v won over %+v", v, x.b)
		}
	}
}

// Limits that must agree are one value; edited apart on two phones they meet
// as a conflict, and the choice of a manager ends it.
func TestConflictAndChoice(t *testing.T) {
	f := fold.New()
	base := encode(t, &change.Change{Actor: "s", Seq: 1, StartOp: 1, Ops: []change.Op{
		{Key: "checks", Action: change.MakeMap},
		{Obj: id(1, "s"), Key: "limits", Action: change.Set, Value: change.String(`{"high":8,"low":5}`)},
	}})
	edit := func(actor change.Actor, v string, time int64, deps []change.Hash, start uint64, pred ...change.OpID) *change.Change {
		return encode(t, &change.Change{Actor: actor, Seq: 1, StartOp: start, Time: time, Deps: deps, Ops: []change.Op{
			{Obj: id(1, "s"), Key: "limits", Action: change.Set, Value: change.String(v), Pred: pred}}})
	}
	a := edit("a", `{"high":9,"low":5}`, 100, []change.Hash{base.Hash}, 3, id(2, "s"))
	b := edit("b", `{"high":8,"low":6}`, 50, []change.Hash{base.Hash}, 3, id(2, "s"))
	for _, c := range []*change.Change{base, b, a, a} {
		if err := f.Apply(c); err != nil {
			t.Fatal(err)
		}
	}
	got := f.Conflicts()
	if len(got) != 1 || !slices.Equal(got[0].Path, []string{"checks", "limits"}) || len(got[0].Values) != 2 {
		t.Fatalf("%+v", got)
	}
	win, lose := got[0].Values[0], got[0].Values[1]
	if win.Value.Str != `{"high":8,"low":6}` || win.Change != b.Hash || win.Actor != "b" || win.Time != 50 ||
		lose.Value.Str != `{"high":9,"low":5}` || lose.Change != a.Hash || string(lose.JSON) != `"{\"high\":9,\"low\":5}"` {
		t.Errorf("%+v", got[0])
	}
	choice := edit("m", lose.Value.Str, 200, f.Heads(), 4, win.ID, lose.ID)
	if err := f.Apply(choice); err != nil {
		t.Fatal(err)
	}
	if got := f.Conflicts(); len(got) != 0 {
		t.Errorf("still in conflict: %+v", got)
	}
	if got, want := string(f.JSON()), `{"checks":{"limits":"{\"high\":9,\"low\":5}"}}`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
