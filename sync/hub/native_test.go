package hub_test

import (
	"fmt"
	"testing"

	"gatewright/sync/crdt"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

// native is a client with the reference implementation inside, which says
// nothing about what it thinks of a refusal: it knows no such thing.
type native struct {
	l      *lab
	doc    *crdt.Replica
	sync   *crdt.SyncState
	conn   hub.ConnID
	sender string
	frames int
}

func (n *native) say() {
	n.l.t.Helper()
	data, ok := n.sync.GenerateMessage()
	if !ok {
		return
	}
	b, err := wire.Encode(wire.Sync{SenderID: n.sender, TargetID: hubID, DocumentID: documentID(november), Data: data})
	if err != nil {
		n.l.t.Fatal(err)
	}
	n.frames++
	n.l.post(hub.Frame{Conn: n.conn, Bytes: b})
}

func (n *native) settle(atMost int) {
	n.l.t.Helper()
	for len(n.l.events) > 0 {
		ev := n.l.events[0]
		n.l.events = n.l.events[1:]
		effects := n.l.site.Step(ev, n.l.now)
		for _, e := range effects {
			send, ok := e.(hub.Send)
			if !ok || send.Conn != n.conn {
				n.l.do(e)
				continue
			}
			n.frames++
			m, err := wire.Decode(send.Bytes)
			if err != nil {
				n.l.t.Fatal(err)
			}
			if s, ok := m.(wire.Sync); ok {
				if err := n.sync.ReceiveMessage(s.Data); err != nil {
					n.l.t.Fatal(err)
				}
				n.say()
			}
		}
		if n.frames > atMost {
			n.l.t.Fatalf("%d frames and no end", n.frames)
		}
	}
}

// TestNativeClient: a client of the reference implementation whose change is
// refused does not go round in circles with the hub, and still gets what
// others write.
func TestNativeClient(t *testing.T) {
	l := newLab(t)
	other := l.peer(l.enrol(2, "crew"))
	other.connect()
	first := other.tick()
	l.settle(20)

	doc, err := crdt.NewReplica("a native client!")
	if err != nil {
		t.Fatal(err)
	}
	n := &native{l: l, doc: doc, sync: doc.Sync(), sender: "native"}
	l.conns++
	n.conn = l.conns
	l.post(hub.Opened{Conn: n.conn, Identity: hub.Identity{Site: yard, Device: device(1), Author: l.enrol(1, "crew")}})
	join, err := wire.Encode(wire.Join{SenderID: n.sender})
	if err != nil {
		t.Fatal(err)
	}
	l.post(hub.Frame{Conn: n.conn, Bytes: join})
	n.say()
	n.settle(20)
	if v, err := doc.Get(first); err != nil || v == "" {
		t.Fatalf("the client did not get the first entry: %v", err)
	}
	for i := range 20 {
		if err := doc.Set(fmt.Sprintf("key %d", i), "not an entry"); err != nil {
			t.Fatal(err)
		}
		before := n.frames
		n.say()
		n.settle(before + 10)
	}
	if got := l.site.Stats(); got.Refused != 20 || len(l.stored(november)) != 1 {
		t.Errorf("%+v, %d stored", got, len(l.stored(november)))
	}
	before := n.frames
	second := other.tick()
	for len(other.out) > 0 {
		l.post(hub.Frame{Conn: other.conn, Bytes: other.out[0]})
		other.out = other.out[1:]
	}
	n.settle(before + 10)
	if v, err := doc.Get(second); err != nil || v == "" {
		t.Errorf("the client does not get what others write: %v", err)
	}
}
