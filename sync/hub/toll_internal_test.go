package hub

import (
	"fmt"
	"slices"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/change"
)

// What is remembered of devices is forgotten when it says nothing any more, so
// that it cannot grow with the devices of a site's whole life.
func TestTollsAreForgotten(t *testing.T) {
	s, err := NewSite(SiteConfig{Site: "6ba7b810-9dad-41d1-80b4-00c04fd430c8", PeerID: "hub", Actor: "server"})
	if err != nil {
		t.Fatal(err)
	}
	now := int64(1_000_000)
	for i := range 500 {
		id := Identity{Device: fmt.Sprint("d", i)}
		s.Step(Opened{Conn: ConnID(i + 1), Identity: id}, now)
		s.Step(Frame{Conn: ConnID(i + 1), Bytes: make([]byte, 100_000)}, now) // no CBOR: closes
		s.spent(id.Device)
	}
	if len(s.tolls) != 500 || len(s.budgets) != 500 || len(s.conns) != 0 {
		t.Fatalf("%d tolls, %d budgets, %d connections", len(s.tolls), len(s.budgets), len(s.conns))
	}
	s.Step(Opened{Conn: 1000, Identity: Identity{Device: "d7"}}, now)
	s.Step(Tick{}, now+1)
	if len(s.tolls) < 2 {
		t.Error("forgotten too early")
	}
	s.Step(Tick{}, now+4_000)
	if len(s.tolls) != 1 || len(s.budgets) != 0 {
		t.Errorf("%d tolls and %d budgets are left", len(s.tolls), len(s.budgets))
	}
	if s.tolls["d7"].conns != 1 || s.tolls["d7"].kept != 0 {
		t.Errorf("%+v", s.tolls["d7"])
	}
}

// Dependencies come first whatever the order was, each change once, and what
// was in order stays so.
func TestDepsFirst(t *testing.T) {
	const n = 20_000
	var list []*incoming
	for i := range n {
		in := &incoming{hash: change.Hash{byte(i), byte(i >> 8)}, reading: &admit.Reading{Change: &change.Change{}}}
		if i > 0 {
			in.reading.Change.Deps = []change.Hash{list[i-1].hash, {0xff, 0xff, 0xff}}
		}
		list = append(list, in)
	}
	in := slices.Clone(list)
	if got := depsFirst(in); !slices.Equal(got, list) {
		t.Error("the right order was changed")
	}
	slices.Reverse(in)
	if got := depsFirst(in); !slices.Equal(got, list) {
		t.Error("the reverse did not come out in order")
	}
	twice := []*incoming{list[1], list[0], list[0], {hash: change.Hash{9}}, list[1]}
	if got := depsFirst(twice); len(got) != 5 || got[0] == list[1] && got[1] == list[1] {
		t.Errorf("%d of 5", len(got))
	}
}
