//go:build cgo

package graph

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"gatewright/sync/change"
	"gatewright/sync/crdt"
	"gatewright/sync/wire"
)

// hub is a graph that takes in real changes, as a hub does.
type hub struct {
	g *Graph
	p *Peer
}

func nodeOf(t testing.TB, chunk []byte) Node {
	t.Helper()
	c, err := change.Decode(chunk, change.DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	return Node{Hash: c.Hash, Deps: c.Deps, Actor: c.Actor, Seq: c.Seq, MaxOp: c.MaxOp(), Bytes: c.Bytes}
}

func (h *hub) receive(t testing.TB, payload []byte) {
	t.Helper()
	m, err := wire.DecodeSync(payload)
	if err != nil {
		t.Fatal(err)
	}
	for _, chunk := range m.Changes {
		if !h.p.Hold(nodeOf(t, chunk)) {
			t.Fatal("holds too much")
		}
	}
	for ready := h.g.Ready(h.p); len(ready) > 0; ready = h.g.Ready(h.p) {
		for _, n := range ready {
			add(t, h.g, n)
		}
	}
	h.g.Receive(h.p, m)
}

// write adds a change made by the pure-Go encoder.
func (h *hub) write(t testing.TB, actor change.Actor, deps []change.Hash, key string) {
	t.Helper()
	c, err := change.NewLogChange(actor, h.g.LastSeq(actor)+1, h.g.MaxOp(deps)+1, deps, 0, key, "from the hub")
	if err != nil {
		t.Fatal(err)
	}
	add(t, h.g, Node{Hash: c.Hash, Deps: c.Deps, Actor: c.Actor, Seq: c.Seq, MaxOp: c.MaxOp(), Bytes: c.Bytes})
}

// phone is the other side, by another implementation of the protocol.
type phone interface {
	empty(change.Actor) // start anew, with nothing
	set(key string)
	generate() ([]byte, bool)
	receive(payload []byte)
	reconnect()
	heads() []change.Hash
	changes() [][]byte
}

// native is the phone by the native library.
type native struct {
	t   testing.TB
	rep *crdt.Replica
	ref *crdt.SyncState
}

func (n *native) check(err error) {
	n.t.Helper()
	if err != nil {
		n.t.Fatal(err)
	}
}

func (n *native) empty(a change.Actor) {
	n.rep = replica(n.t, a)
	n.ref = n.rep.Sync()
}
func (n *native) set(key string)           { n.check(n.rep.Set(key, "from the phone")) }
func (n *native) generate() ([]byte, bool) { return n.ref.GenerateMessage() }
func (n *native) receive(payload []byte)   { n.check(n.ref.ReceiveMessage(payload)) }
func (n *native) heads() []change.Hash     { return n.rep.Heads() }
func (n *native) reconnect() {
	ref, err := n.rep.Reconnect(n.ref)
	n.check(err)
	n.ref = ref
}
func (n *native) changes() [][]byte {
	list, err := n.rep.Changes()
	n.check(err)
	return list
}

// talk passes messages between the sides until both are silent.
func talk(t testing.TB, h *hub, ph phone) {
	t.Helper()
	for range 1000 {
		silent := true
		if m, ok := h.g.Generate(h.p); ok {
			silent = false
			ph.receive(m.Encode())
		}
		if payload, ok := ph.generate(); ok {
			silent = false
			h.receive(t, payload)
		}
		if silent {
			return
		}
	}
	t.Fatal("no silence")
}

func replica(t testing.TB, actor change.Actor) *crdt.Replica {
	t.Helper()
	r, err := crdt.NewReplica(actor)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// actors are not used twice: a side that lost its data must not write under
// an old one.
func actor(n *int) change.Actor {
	*n++
	return change.Actor(fmt.Sprintf("actor %010d", *n))
}

func TestLevelWithNativeLibrary(t *testing.T) {
	levelWith(t, &native{t: t}, 150)
}

// Random histories with another implementation on one side: partitions, forks,
// lost messages, lost data on either side.
func levelWith(t *testing.T, ph phone, seeds uint64) {
	for seed := range seeds {
		r := rand.New(rand.NewPCG(seed, 7))
		var actors, keys int
		key := func() string { keys++; return fmt.Sprintf("key %d", keys) }
		h := &hub{New(), &Peer{}}
		if r.IntN(2) == 0 {
			h.g.budget = 600
		}
		ph.empty(actor(&actors))
		ours := actor(&actors)
		for range 30 {
			switch r.IntN(10) {
			case 0, 1:
				for range 1 + r.IntN(8) {
					h.write(t, ours, h.g.Heads(), key())
				}
			case 2: // an older phone's work arrives here
				var deps []change.Hash
				if h.g.Len() > 0 && r.IntN(4) > 0 {
					deps = []change.Hash{h.g.nodes[r.IntN(h.g.Len())].Hash}
				}
				h.write(t, actor(&actors), deps, key())
			case 3, 4:
				for range 1 + r.IntN(8) {
					ph.set(key())
				}
			case 5: // one message arrives, its answer does not
				if m, ok := h.g.Generate(h.p); ok {
					ph.receive(m.Encode())
				}
				ph.generate()
				h.p.Reset()
				ph.reconnect()
			case 6:
				if payload, ok := ph.generate(); ok {
					h.receive(t, payload)
				}
				h.g.Generate(h.p)
				h.p.Reset()
				ph.reconnect()
			case 7:
				if r.IntN(3) == 0 { // the phone is emptied
					ph.empty(actor(&actors))
					h.p.Reset()
				}
			case 8:
				if r.IntN(3) == 0 { // the hub is restored from a backup
					old := New()
					old.budget = h.g.budget
					for _, n := range h.g.nodes[:r.IntN(h.g.Len()+1)] {
						add(t, old, n)
					}
					h.g, h.p = old, &Peer{}
					ours = actor(&actors)
					ph.reconnect()
				}
			case 9:
				talk(t, h, ph)
			}
		}
		talk(t, h, ph)
		if a, b := h.g.Heads(), ph.heads(); !slices.Equal(a, b) {
			t.Fatalf("seed %d: silent, but heads are %.8v here and %.8v there", seed, a, b)
		}
		chunks := ph.changes()
		if len(chunks) != h.g.Len() {
			t.Fatalf("seed %d: %d changes here, %d there", seed, h.g.Len(), len(chunks))
		}
		for _, c := range chunks {
			n, ok := h.g.Node(nodeOf(t, c).Hash)
			if !ok || !bytes.Equal(n.Bytes, nodeOf(t, c).Bytes) {
				t.Fatalf("seed %d: change %.8s differs", seed, n.Hash)
			}
		}
	}
}

// Side by side with the reference over the same histories, message by message,
// ours has the same words. (Change order is compared as a set: both send
// ancestors first, but branches in their own order.)
func TestSameWordsAsReference(t *testing.T) {
	compared, parted := 0, 0
seeds:
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 11))
		ra, rb := replica(t, "side a of the pair"), replica(t, "side b of the pair")
		sa, sb := ra.Sync(), rb.Sync()
		ha, hb := &hub{New(), &Peer{}}, &hub{New(), &Peer{}}
		n := 0
		for range 4 {
			for _, s := range []struct {
				rep *crdt.Replica
				h   *hub
			}{{ra, ha}, {rb, hb}} {
				for range 1 + r.IntN(20) {
					n++
					if err := s.rep.Set(fmt.Sprint("key ", n), "x"); err != nil {
						t.Fatal(err)
					}
				}
				chunks, err := s.rep.Changes()
				if err != nil {
					t.Fatal(err)
				}
				for _, c := range chunks {
					add(t, s.h.g, nodeOf(t, c))
				}
			}
			for range 50 {
				pa, oka := sa.GenerateMessage()
				pb, okb := sb.GenerateMessage()
				for _, x := range []struct {
					h       *hub
					payload []byte
					ok      bool
				}{{ha, pa, oka}, {hb, pb, okb}} {
					same, early := sameAs(t, x.h, x.payload, x.ok)
					if early {
						parted++
						continue seeds
					}
					compared += same
				}
				if !oka && !okb {
					break
				}
				deliverBoth(t, sb, hb, pa, oka)
				deliverBoth(t, sa, ha, pb, okb)
			}
			if !slices.Equal(ha.g.Heads(), hb.g.Heads()) {
				t.Fatalf("seed %d: not level", seed)
			}
		}
	}
	t.Logf("%d messages compared, %d histories left early", compared, parted)
	if compared < 300 || parted > 40 {
		t.Errorf("only %d messages compared, %d histories left early", compared, parted)
	}
}

func deliverBoth(t testing.TB, s *crdt.SyncState, h *hub, payload []byte, ok bool) {
	t.Helper()
	if !ok {
		return
	}
	if err := s.ReceiveMessage(payload); err != nil {
		t.Fatal(err)
	}
	h.receive(t, payload)
}

// sameAs compares our next message with the reference's. It gives 1 if there
// was one, and early if we ask for something at once where this release of the
// reference keeps silent until the changes that it sent are acknowledged
// (later releases ask at once as well).
func sameAs(t testing.TB, h *hub, payload []byte, ok bool) (same int, early bool) {
	t.Helper()
	got, said := h.g.Generate(h.p)
	if said && !ok && len(h.p.sent) > 0 && len(got.Need) > 0 {
		return 0, true
	}
	if said != ok {
		t.Fatalf("we speak: %v, the reference: %v", said, ok)
	}
	if !ok {
		return 0, false
	}
	want, err := wire.DecodeSync(payload)
	if err != nil {
		t.Fatal(err)
	}
	order := func(list [][]byte) [][]byte {
		list = slices.Clone(list)
		slices.SortFunc(list, bytes.Compare)
		return list
	}
	if wordsOf(got) != wordsOf(want) || !slices.EqualFunc(order(got.Changes), order(want.Changes), bytes.Equal) {
		t.Fatalf("we say heads %.8v need %.8v have %.8v and %d changes, the reference heads %.8v need %.8v have %.8v and %d changes",
			got.Heads, got.Need, lastSync(got), len(got.Changes), want.Heads, want.Need, lastSync(want), len(want.Changes))
	}
	return 1, false
}

func lastSync(m wire.SyncMessage) (out []string) {
	for _, h := range m.Have {
		out = append(out, fmt.Sprintf("%.8v/%d", h.LastSync, h.Bloom.Len()))
	}
	return out
}
