package graph

import (
	"slices"
	"testing"

	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// chain adds n changes, one upon the other.
func chain(t testing.TB, w *world, g *Graph, n int) {
	t.Helper()
	for range n {
		add(t, g, w.node(g.Heads(), g.MaxOp(g.Heads())))
	}
}

func shared(t testing.TB, p *Peer, want ...change.Hash) {
	t.Helper()
	if !slices.Equal(p.SharedHeads(), want) {
		t.Errorf("shared heads %.8v, want %.8v", p.SharedHeads(), want)
	}
}

func TestSharedHeads(t *testing.T) {
	w := &world{}
	g, p := New(), &Peer{}
	chain(t, w, g, 5)
	second, fifth := g.nodes[1].Hash, g.nodes[4].Hash
	unknown := w.node([]change.Hash{fifth}, 9).Hash

	if p.Heard() || p.TheirHeads() != nil {
		t.Error("heard of a peer that said nothing")
	}
	g.Receive(p, wire.SyncMessage{Heads: []change.Hash{second, unknown}})
	shared(t, p, second)
	if !p.Heard() || !slices.Equal(p.TheirHeads(), normal([]change.Hash{second, unknown})) {
		t.Error("the peer's heads are not what it said")
	}
	g.Receive(p, wire.SyncMessage{Heads: []change.Hash{fifth}})
	shared(t, p, fifth)
	g.Receive(p, wire.SyncMessage{Heads: []change.Hash{unknown}})
	shared(t, p, fifth)
	// a part of what the peer has arrives: common from here on
	next := w.node([]change.Hash{fifth}, 5)
	add(t, g, next)
	g.Receive(p, wire.SyncMessage{Heads: []change.Hash{unknown}, Changes: [][]byte{next.Bytes}})
	shared(t, p, next.Hash)

	// a new connection goes on from there
	p.Reset()
	if p.Heard() || p.TheirHeads() != nil {
		t.Error("Reset left the peer's heads")
	}
	chain(t, w, g, 2)
	m, ok := g.Generate(p)
	if !ok || len(m.Have) != 1 || !slices.Equal(m.Have[0].LastSync, []change.Hash{next.Hash}) || m.Have[0].Bloom.Len() != 2 {
		t.Errorf("after Reset: %v", m)
	}
	// and from nothing, if the peer has lost it all
	g.Receive(p, wire.SyncMessage{Have: []wire.Have{{}}})
	shared(t, p)
	if m, ok := g.Generate(p); !ok || len(m.Changes) != g.Len() {
		t.Errorf("%d changes for a peer with nothing, want %d", len(m.Changes), g.Len())
	}
	// again, if it lost what was on its way
	g.Receive(p, wire.SyncMessage{Have: []wire.Have{{}}})
	if m, ok := g.Generate(p); !ok || len(m.Changes) != g.Len() {
		t.Errorf("%d changes for a peer with nothing, want %d", len(m.Changes), g.Len())
	}
}

// A peer that counts on what is not here is told to start from nothing.
func TestStartFromNothing(t *testing.T) {
	w := &world{}
	g, p := New(), &Peer{}
	chain(t, w, g, 3)
	lost := w.node(nil, 0).Hash
	g.Receive(p, wire.SyncMessage{Heads: []change.Hash{lost}, Have: []wire.Have{{LastSync: []change.Hash{lost}}}})
	m, ok := g.Generate(p)
	if !ok || !slices.Equal(m.Heads, g.Heads()) || len(m.Need) != 0 || len(m.Changes) != 0 ||
		len(m.Have) != 1 || len(m.Have[0].LastSync) != 0 || m.Have[0].Bloom.Len() != 0 {
		t.Errorf("got %v", m)
	}
	if _, ok := g.Generate(p); ok {
		t.Error("told twice")
	}
}

// A peer that says what we would say needs no answer, unless it was never
// spoken to: its heads may be a question.
func TestLevelPeerIsNotAnswered(t *testing.T) {
	w := &world{}
	g, p := New(), &Peer{}
	chain(t, w, g, 1)
	level := func() wire.SyncMessage {
		return wire.SyncMessage{Heads: g.Heads(), Have: []wire.Have{{LastSync: g.Heads()}}}
	}
	g.Receive(p, level())
	if m, ok := g.Generate(p); !ok || len(m.Changes) != 0 {
		t.Error("the first message was not answered")
	}
	g.Receive(p, level())
	if _, ok := g.Generate(p); ok {
		t.Error("a level peer was answered")
	}
	chain(t, w, g, 1) // both learn this elsewhere, and the peer speaks first
	g.Receive(p, level())
	if _, ok := g.Generate(p); ok {
		t.Error("a level peer was answered")
	}
}

// What was asked for by name comes with deps first.
func TestNeedInOrder(t *testing.T) {
	w := &world{}
	g, p := New(), &Peer{}
	chain(t, w, g, 6)
	var need []change.Hash
	var want [][]byte
	for _, n := range g.nodes[1:5] {
		need = append(need, n.Hash)
		want = append(want, n.Bytes)
	}
	slices.Reverse(need)
	other := w.node(nil, 0).Hash
	g.Receive(p, wire.SyncMessage{Heads: []change.Hash{other}, Need: append(need, other)})
	m, ok := g.Generate(p)
	if !ok || !slices.EqualFunc(m.Changes, want, slices.Equal) {
		t.Errorf("got %x, want %x", m.Changes, want)
	}
	g.Receive(p, wire.SyncMessage{Heads: []change.Hash{other}, Need: need})
	if m, _ := g.Generate(p); len(m.Changes) != 0 {
		t.Error("sent again what is on its way")
	}
}
