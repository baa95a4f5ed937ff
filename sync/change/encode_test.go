package change_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"gatewright/sync/change"
)

func TestNewLogChange(t *testing.T) {
	deps := []change.Hash{{3}, {1}, {2}}
	c, err := change.NewLogChange("\xaa\xbb", 2, 7, deps, 1772344800, "01JNM0000000000000000000ab", `{"v":1}`)
	if err != nil {
		t.Fatal(err)
	}
	if deps[0] != (change.Hash{3}) {
		t.Error("the caller's dependencies were reordered")
	}
	got, err := change.Decode(c.Bytes, change.DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	if got.Hash != c.Hash || got.Seq != 2 || got.StartOp != 7 || got.MaxOp() != 7 || got.Time != 1772344800 ||
		!slices.Equal(got.Deps, []change.Hash{{1}, {2}, {3}}) || len(got.Ops) != 1 {
		t.Errorf("%+v", got)
	}
	op := got.Ops[0]
	if op.Key != "01JNM0000000000000000000ab" || !op.Obj.IsZero() || op.IsElem || op.Pred != nil || op.Action != change.Set ||
		!op.Value.Equal(change.String(`{"v":1}`)) || op.ID != (change.OpID{Counter: 7, Actor: "\xaa\xbb"}) {
		t.Errorf("%+v", op)
	}
}

func TestEncodeRefuses(t *testing.T) {
	one := func(op change.Op) *change.Change {
		return &change.Change{Actor: "a", Seq: 1, StartOp: 1, Ops: []change.Op{op}}
	}
	for _, x := range []struct {
		name string
		c    *change.Change
		code string
	}{
		{"no actor", &change.Change{Seq: 1, StartOp: 1}, "actor"},
		{"no seq", &change.Change{Actor: "a", StartOp: 1}, "seq"},
		{"no startOp", &change.Change{Actor: "a", Seq: 1}, "start"},
		{"dependency twice", &change.Change{Actor: "a", Seq: 1, StartOp: 1, Deps: []change.Hash{{1}, {1}}}, "deps"},
		{"message", &change.Change{Actor: "a", Seq: 1, StartOp: 1, Message: "\xff"}, "text"},
		{"key", one(change.Op{Key: "\xff", Action: change.Set}), "text"},
		{"string", one(change.Op{Key: "k", Action: change.Set, Value: change.String("\xff")}), "text"},
		{"kind", one(change.Op{Key: "k", Action: change.Set, Value: change.Value{Kind: 99}}), "value"},
		{"action", one(change.Op{Key: "k", Action: 9}), "action"},
		{"delete of nothing", one(change.Op{Key: "k", Action: change.Delete}), "pred"},
		{"own predecessor", one(change.Op{Key: "k", Action: change.Set, Pred: []change.OpID{{Counter: 1, Actor: "a"}}}), "pred"},
		{"long foreign actor", func() *change.Change {
			c := one(change.Op{Key: "k", Action: change.Set, Pred: []change.OpID{{Counter: 1, Actor: change.Actor(strings.Repeat("b", 65))}}})
			c.StartOp = 2
			return c
		}(), "actor"},
	} {
		err := change.Encode(x.c)
		var e *change.Error
		if !errors.As(err, &e) || e.Code != x.code {
			t.Errorf("%s: %v, want code %s", x.name, err, x.code)
		}
		if x.c.Bytes != nil {
			t.Errorf("%s: bytes written all the same", x.name)
		}
	}
}

func TestParse(t *testing.T) {
	for _, bad := range []string{"", "0", "zz", strings.Repeat("00", 65)} {
		if _, err := change.ParseActor(bad); err == nil {
			t.Errorf("actor %q accepted", bad)
		}
	}
	a, err := change.ParseActor("00FF")
	if err != nil || a != "\x00\xff" || a.String() != "00ff" {
		t.Errorf("%q, %v", a, err)
	}
	// Automerge orders ids by counter, then by the actor's bytes.
	if (change.OpID{Counter: 2, Actor: "a"}).Compare(change.OpID{Counter: 10, Actor: "A"}) >= 0 ||
		(change.OpID{Counter: 2, Actor: "b"}).Compare(change.OpID{Counter: 2, Actor: "a"}) <= 0 {
		t.Error("ids out of order")
	}
}

func BenchmarkDecodeEntry(b *testing.B) {
	c, err := change.NewLogChange("0123456789abcdef", 2, 7, []change.Hash{{1}}, 1772344800, "01JNM0000000000000000000ab",
		`{"id":"01JNM0000000000000000000ab","v":1,"kind":"tick","at":"2026-03-01T06:00:00Z","off":0,"by":"p1","dev":"d1","check":"c1"}`)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := change.Decode(c.Bytes, change.DefaultLimits); err != nil {
			b.Fatal(err)
		}
	}
}
