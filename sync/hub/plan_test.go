package hub_test

import (
	"context"
	"encoding/base64"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/fold"
	"gatewright/sync/hub"
)

func relay(a admit.Author) admit.Author {
	a.Relay = true
	return a
}

// plan reads the peer's copy of the plan.
func (p *peer) plan(t testing.TB) (*admit.Plan, *fold.Fold) {
	t.Helper()
	index, f := admit.NewPlan(), fold.New()
	for n := range p.docs["plan"].g.InOrder() {
		c, err := change.Decode(n.Bytes, change.DefaultLimits)
		if err != nil {
			t.Fatal(err)
		}
		index.Apply(c)
		if err := f.Apply(c); err != nil {
			t.Fatalf("the fold refuses what the hub took: %v", err)
		}
	}
	return index, f
}

// field gives the operation that sets a field as the peer sees it.
func (p *peer) field(t testing.TB, collection, item, field string, v change.Value) change.Op {
	t.Helper()
	index, _ := p.plan(t)
	obj, ok := index.Map(admit.Place{Collection: collection, Item: item})
	if !ok {
		t.Fatalf("no %s.%s", collection, item)
	}
	pred, _ := index.Live(obj, field)
	return change.Op{Obj: obj, Key: field, Action: change.Set, Value: v, Pred: pred}
}

// zone is the least zone table there can be (RFC 8536): one type, no change.
func zone(name string) []byte {
	b := append([]byte("TZif"), make([]byte, 16)...)
	for _, count := range []byte{0, 0, 0, 0, 1, 4} {
		b = append(b, 0, 0, 0, count)
	}
	b = append(b, 0, 0, 0, 0, 0, 0)
	return append(b, name+"\x00"...)
}

func planItems() []hub.PlanItem {
	return []hub.PlanItem{
		{Collection: "site", Fields: map[string]change.Value{"name": change.String("Long Acre"), "zone": change.String("Europe/Dublin"),
			"tz": change.Bytes(zone("UTC")), "manual_after": change.Int(30)}},
		{Collection: "gates", ID: "east", Fields: map[string]change.Value{"name": change.String("East"), "drive": change.String("air"),
			"order": change.Int(1)}},
	}
}

func TestWritePlan(t *testing.T) {
	l := newLab(t)
	boss := l.peer(l.enrol(1, "manager"))
	boss.connect()
	boss.open("plan")
	l.settle(20)
	l.post(hub.WritePlan{Token: 1, Items: planItems()})
	l.settle(20)
	if err, ok := l.done[1]; !ok || err != nil {
		t.Fatalf("answer %v", l.done)
	}
	_, f := boss.plan(t)
	want := `{"checks":{},"gates":{"east":{"drive":"air","name":"East","order":1}},"parts":{},"rounds":{},` +
		`"site":{"manual_after":30,"name":"Long Acre","tz":"` + base64.StdEncoding.EncodeToString(zone("UTC")) + `","zone":"Europe/Dublin"}}`
	if got := string(f.JSON()); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}

	// The same again changes nothing; what differs replaces; null clears.
	n := boss.docs["plan"].g.Len()
	l.post(hub.WritePlan{Token: 2, Items: planItems()})
	l.settle(20)
	if boss.docs["plan"].g.Len() != n || l.done[2] != nil {
		t.Error("writing the same made a change")
	}
	l.post(hub.WritePlan{Token: 3, Items: []hub.PlanItem{
		{Collection: "gates", ID: "east", Fields: map[string]change.Value{"name": change.String("Yard"), "order": {}}},
		{Collection: "gates", ID: "east", Fields: map[string]change.Value{"name": change.String("North")}},
		{Collection: "gates", ID: "west", Fields: map[string]change.Value{"name": change.String("West")}},
	}})
	l.settle(20)
	_, f = boss.plan(t)
	if v, _, _ := f.Get("gates", "east", "name"); v.Str != "North" || len(f.Conflicts()) != 0 {
		t.Errorf("name %q, conflicts %v", v.Str, f.Conflicts())
	}
	if v, _, ok := f.Get("gates", "east", "order"); !ok || v.Kind != change.KindNull {
		t.Error("null does not clear")
	}

	for i, bad := range [][]hub.PlanItem{
		{{Collection: "cows", ID: "a"}},
		{{Collection: "gates", ID: "No"}},
		{{Collection: "site", ID: "a"}},
		{{Collection: "gates", ID: "east", Fields: map[string]change.Value{"drive": change.String("steam")}}},
		{{Collection: "gates", ID: "east", Fields: map[string]change.Value{"colour": change.String("red")}}},
		{{Collection: "gates", ID: "east", Fields: map[string]change.Value{"order": change.Counter(1)}}},
	} {
		l.post(hub.WritePlan{Token: hub.Token(10 + i), Items: bad})
		l.settle(10)
		if l.done[hub.Token(10+i)] == nil {
			t.Errorf("%+v was written", bad)
		}
	}
}

func TestPlanEdits(t *testing.T) {
	start := func(t *testing.T) (*lab, *peer, *peer) {
		l := newLab(t)
		boss, crew := l.peer(l.enrol(1, "manager")), l.peer(l.enrol(2, "crew"))
		l.post(hub.WritePlan{Token: 1, Items: planItems()})
		for _, p := range []*peer{boss, crew} {
			p.connect()
			p.open("plan")
		}
		l.settle(40)
		return l, boss, crew
	}
	one := func(p *peer, op change.Op) { p.put("plan", p.next("plan", op)) }
	for name, c := range map[string]struct {
		who   string
		codes string
		do    func(t *testing.T, p *peer)
	}{
		"a manager's": {"boss", "", func(t *testing.T, p *peer) {
			one(p, p.field(t, "gates", "east", "name", change.String("Yard")))
		}},
		"a field that was empty": {"boss", "", func(t *testing.T, p *peer) {
			one(p, p.field(t, "gates", "east", "layout", change.String("{}")))
		}},
		"retired": {"boss", "", func(t *testing.T, p *peer) {
			one(p, p.field(t, "gates", "east", "retired", change.Int(noon)))
		}},
		"a value that does not fit": {"boss", "field", func(t *testing.T, p *peer) {
			one(p, p.field(t, "gates", "east", "drive", change.String("steam")))
		}},
		"an unknown field": {"boss", "field", func(t *testing.T, p *peer) {
			one(p, p.field(t, "gates", "east", "colour", change.String("red")))
		}},
		"a counter": {"boss", "field", func(t *testing.T, p *peer) {
			one(p, p.field(t, "gates", "east", "order", change.Counter(1)))
		}},
		"a field that is nobody's": {"boss", "rights(held)", func(t *testing.T, p *peer) {
			one(p, p.field(t, "site", "", "tz", change.Bytes(zone("GMT"))))
		}},
		"the crew's, by an actor of its own": {"crew", "rights", func(t *testing.T, p *peer) {
			p.tick()
			p.l.settle(20)
			one(p, p.field(t, "gates", "east", "name", change.String("Yard")))
		}},
		"the crew's, or a manager's that it brings": {"crew", "rights(held)", func(t *testing.T, p *peer) {
			one(p, p.field(t, "gates", "east", "name", change.String("Yard")))
		}},
		"delete": {"boss", "delete", func(t *testing.T, p *peer) {
			op := p.field(t, "gates", "east", "name", change.Value{})
			op.Action = change.Delete
			one(p, op)
		}},
		"an item made": {"boss", "object", func(t *testing.T, p *peer) {
			index, _ := p.plan(t)
			obj, _ := index.Map(admit.Place{Collection: "gates"})
			one(p, change.Op{Obj: obj, Key: "west", Action: change.MakeMap})
		}},
		"an item made in the server's name": {"boss", "dev(held)", func(t *testing.T, p *peer) {
			index, _ := p.plan(t)
			obj, _ := index.Map(admit.Place{Collection: "gates"})
			c := p.next("plan", change.Op{Obj: obj, Key: "west", Action: change.MakeMap})
			c.Message = admit.ServerMessage
			p.put("plan", c)
		}},
		"a map made over one that is there": {"boss", "object", func(t *testing.T, p *peer) {
			c := p.next("plan", change.Op{Key: "gates", Action: change.MakeMap})
			c.Message = admit.ServerMessage
			p.put("plan", c)
		}},
		"at the root": {"boss", "object", func(t *testing.T, p *peer) {
			one(p, change.Op{Key: "name", Action: change.Set, Value: change.String("x")})
		}},
		"in a collection": {"boss", "object", func(t *testing.T, p *peer) {
			index, _ := p.plan(t)
			obj, _ := index.Map(admit.Place{Collection: "gates"})
			one(p, change.Op{Obj: obj, Key: "west", Action: change.Set, Value: change.String("x")})
		}},
		"in a map that is not there": {"boss", "object", func(t *testing.T, p *peer) {
			one(p, change.Op{Obj: change.OpID{Counter: 1, Actor: "nobody"}, Key: "name", Action: change.Set, Value: change.String("x")})
		}},
		"a predecessor that is not there": {"boss", "pred", func(t *testing.T, p *peer) {
			op := p.field(t, "gates", "east", "name", change.String("Yard"))
			op.Pred = []change.OpID{{Counter: 1, Actor: "nobody"}}
			one(p, op)
		}},
		"a predecessor of another key": {"boss", "pred", func(t *testing.T, p *peer) {
			op := p.field(t, "gates", "east", "name", change.String("Yard"))
			op.Pred = p.field(t, "gates", "east", "drive", change.Value{}).Pred
			one(p, op)
		}},
		"a predecessor that is no ancestor": {"boss", "pred", func(t *testing.T, p *peer) {
			base := p.docs["plan"].g.Heads()
			one(p, p.field(t, "gates", "east", "name", change.String("Yard")))
			p.l.settle(20)
			p.restart()
			op := p.field(t, "gates", "east", "name", change.String("North"))
			c := p.next("plan", op)
			// It names an operation of the change beside it: one that a client
			// which gets this change first does not have.
			pad := p.next("plan", p.field(t, "gates", "east", "order", change.Int(7)))
			pad.Deps, pad.StartOp = base, p.docs["plan"].g.MaxOp(base)+1
			p.put("plan", pad)
			c.Deps, c.Seq, c.StartOp = []change.Hash{pad.Hash}, 2, pad.MaxOp()+1
			p.put("plan", c)
		}},
	} {
		t.Run(name, func(t *testing.T) {
			l, boss, crew := start(t)
			p, other := boss, crew
			if c.who == "crew" {
				p, other = crew, boss
			}
			c.do(t, p)
			l.settle(24)
			if p.codes() != c.codes {
				for _, r := range p.refused {
					t.Log(r.Code, r.Reason)
				}
				t.Fatalf("codes %q, want %q", p.codes(), c.codes)
			}
			if c.codes == "" {
				l.wantSame("plan", p, other)
			}
			_, was := other.plan(t)
			if v, _, ok := was.Get("gates", "east", "drive"); !ok || v.Str != "air" {
				t.Error("the plan is damaged")
			}
			p.drop("plan")
			l.settle(24)
			l.wantSame("plan", p, other)
			one(boss, boss.field(t, "site", "", "name", change.String("Short Acre")))
			l.settle(24)
			l.wantSame("plan", p, other)
		})
	}
}

// TestPlanConflict: two managers edit one field offline; both values stand and
// the server's next write settles it.
func TestPlanConflict(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "manager")), l.peer(l.enrol(2, "manager"))
	l.post(hub.WritePlan{Token: 1, Items: planItems()})
	for _, p := range []*peer{a, b} {
		p.connect()
		p.open("plan")
	}
	l.settle(40)
	for _, p := range []*peer{a, b} {
		p.disconnect()
		p.put("plan", p.next("plan", p.field(t, "gates", "east", "name", change.String("by "+p.sender))))
	}
	a.connect()
	b.connect()
	l.settle(40)
	l.wantSame("plan", a, b)
	if _, f := a.plan(t); len(f.Conflicts()) != 1 {
		t.Fatalf("conflicts %v", f.Conflicts())
	}
	l.post(hub.WritePlan{Token: 2, Items: []hub.PlanItem{{Collection: "gates", ID: "east",
		Fields: map[string]change.Value{"name": change.String("East")}}}})
	l.settle(40)
	_, f := b.plan(t)
	if v, _, _ := f.Get("gates", "east", "name"); v.Str != "East" || len(f.Conflicts()) != 0 {
		t.Errorf("%q, conflicts %v", v.Str, f.Conflicts())
	}
}

// TestPlanAfterRestore: in the window the plan comes back with the hands that
// wrote it, the server's first change too.
func TestPlanAfterRestore(t *testing.T) {
	l := newLab(t)
	boss := l.peer(l.enrol(1, "manager"))
	l.post(hub.WritePlan{Token: 1, Items: planItems()})
	boss.connect()
	boss.open("plan")
	l.settle(40)
	boss.put("plan", boss.next("plan", boss.field(t, "gates", "east", "name", change.String("Yard"))))
	l.settle(40)

	lost := newLab(t)
	crew := lost.peer(lost.enrol(2, "crew"))
	crew.take("plan", boss)
	crew.connect()
	lost.settle(20)
	if docs, _ := lost.mem.Documents(context.Background(), yard); len(docs) != 0 || crew.codes() != "depends(held) dev(held)" {
		t.Errorf("documents %v, codes %q", docs, crew.codes())
	}
	lost.post(hub.Restore{Until: noon + 1})
	lost.settle(20)
	lost.wantSame("plan", crew)
	if lost.held("plan") != 0 {
		t.Error("still held")
	}
	lost.post(hub.WritePlan{Token: 2, Items: planItems()})
	lost.settle(20)
	_, f := crew.plan(t)
	if v, _, _ := f.Get("gates", "east", "name"); v.Str != "East" || lost.done[2] != nil {
		t.Errorf("name %q, %v", v.Str, lost.done[2])
	}
}
