package graph

import (
	"crypto/sha256"
	"slices"

	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// Limits of what is held for one peer until its deps arrive.
const (
	MaxHeld      = 4096    // changes
	MaxHeldBytes = 4 << 20 // bytes of their chunks
)

// Peer is what is known about the other side of one connection, for one
// document. The zero value is a peer not heard from.
type Peer struct {
	shared   []change.Hash // heads of what both sides are known to have
	lastSent []change.Hash // our heads in the last message to the peer
	sent     map[change.Hash]struct{}

	heard bool
	heads []change.Hash // the peer's, as it last said
	need  []change.Hash
	have  []wire.Have

	responded bool // at least one message went out
	inFlight  bool // the last message out is unanswered

	held      map[change.Hash]Node
	heldBytes int

	echo echo
}

// Reset prepares for a new connection with the same peer: all is forgotten but
// the heads that both sides were known to have. If the peer has lost those, it
// says so in its answer and gets everything.
func (p *Peer) Reset() { *p = Peer{shared: p.shared} }

// Owe makes the next message go out whatever the peer seems to know. Call it
// after Receive when the graph moved between the peer's message and now: a
// peer that names our new heads has made them, and waits to hear that they
// arrived.
func (p *Peer) Owe() { p.lastSent = nil }

// Heard reports whether a message of the peer was received since Reset.
func (p *Peer) Heard() bool { return p.heard }

// TheirHeads gives the peer's heads as it last said, sorted; nil before the
// first message. The caller must not write to the slice.
func (p *Peer) TheirHeads() []change.Hash { return p.heads }

// SharedHeads gives the heads of what both sides are known to have, sorted.
// The caller must not write to the slice.
func (p *Peer) SharedHeads() []change.Hash { return p.shared }

// Hold keeps a change whose deps are not all here. A Bloom filter on the
// peer's side can claim that a dep is here which is not; the peer then sends
// what depends on it, counts it as sent and will not send it again. So it must
// be kept while the dep is asked for by name. False means that too much is
// held already: close the connection, and Reset begins anew.
func (p *Peer) Hold(n Node) bool {
	if _, ok := p.held[n.Hash]; ok {
		return true
	}
	if len(p.held) >= MaxHeld || p.heldBytes+len(n.Bytes) > MaxHeldBytes {
		return false
	}
	if p.held == nil {
		p.held = map[change.Hash]Node{}
	}
	p.held[n.Hash] = n
	p.heldBytes += len(n.Bytes)
	return true
}

// Ready takes out the held changes whose deps are all in the graph now, sorted
// by hash. Check and Add them, then call Ready again: more may have become
// ready. A held change that another peer brought meanwhile is dropped.
func (g *Graph) Ready(p *Peer) []Node {
	var out []Node
	for h, n := range p.held {
		known := g.Has(h)
		if !known && len(g.Missing(n.Deps)) > 0 {
			continue
		}
		delete(p.held, h)
		p.heldBytes -= len(n.Bytes)
		if !known {
			out = append(out, n)
		}
	}
	slices.SortFunc(out, func(a, b Node) int { return a.Hash.Compare(b.Hash) })
	return out
}

// Size is about how many bytes are kept of what the peer said: a peer must not
// fill the memory with filters and with changes that wait.
func (p *Peer) Size() int {
	const hash = len(change.Hash{})
	size := p.heldBytes + hash*(len(p.shared)+len(p.heads)+len(p.need)+len(p.sent))
	for _, h := range p.have {
		size += hash*len(h.LastSync) + h.Bloom.Size()
	}
	return size
}

// wants gives what to ask the peer for: its heads and the deps of held
// changes, as far as they are neither here nor held. Sorted.
func (g *Graph) wants(p *Peer) []change.Hash {
	out := g.Missing(p.heads)
	for _, n := range p.held {
		out = append(out, g.Missing(n.Deps)...)
	}
	return slices.DeleteFunc(normal(out), func(h change.Hash) bool {
		_, ok := p.held[h]
		return ok
	})
}

// echo notices two sides that tell each other the same again and again. The
// protocol has no word for "I will not take this change": a side that keeps
// asking and a side that will not give would go on for ever.
type echo struct {
	in, out words // of the last message
	same    int   // messages in that said nothing new
	known   bool  // out is set
}

// words stands for all that a message says but its changes.
type words [16]byte

func wordsOf(m wire.SyncMessage) words {
	m.Changes = nil
	sum := sha256.Sum256(m.Encode())
	return words(sum[:])
}

const echoes = 3

// Messages that carry changes, and those that differ from the one before,
// start the count again.
func (e *echo) received(m wire.SyncMessage) {
	in := wordsOf(m)
	if len(m.Changes) == 0 && e.in == in {
		e.same++
	} else {
		e.same = 0
	}
	e.in = in
}

// spent reports whether m has been said and answered in the same words often
// enough, and otherwise notes that it is said.
func (e *echo) spent(m wire.SyncMessage) bool {
	out := wordsOf(m)
	again := e.known && len(m.Changes) == 0 && e.out == out
	if again && e.same >= echoes {
		return true
	}
	if !again {
		e.same = 0
	}
	e.out, e.known = out, true
	return false
}
