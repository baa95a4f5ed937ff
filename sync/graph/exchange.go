package graph

import (
	"crypto/sha256"
	"slices"

	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// MaxChangeBytes bounds the chunks in one generated message; what is left
// follows when the peer has answered. One chunk that is longer goes alone.
const MaxChangeBytes = 512 << 10

// Receive takes note of a message of the peer. Call it after those of its
// changes that are admitted were added, and those without their deps held.
func (g *Graph) Receive(p *Peer, m wire.SyncMessage) {
	p.inFlight = false
	p.heard = true
	p.echo.received(m)
	p.heads = normal(slices.Clone(m.Heads))
	if p.heads == nil {
		p.heads = []change.Hash{}
	}
	p.need = normal(slices.Clone(m.Need))
	p.have = m.Have

	if len(p.sent) > 0 {
		g.acknowledge(p)
	}
	if len(m.Changes) == 0 && slices.Equal(p.heads, g.heads) {
		p.lastSent = p.heads
	}
	if len(g.Missing(p.heads)) == 0 {
		p.shared = p.heads
		if len(p.heads) == 0 { // the peer has nothing, or nothing any more
			p.sent = nil
		}
		return
	}
	// The peer has more than we do. What it has in common with us is at least
	// what was in common before, those of its heads that are here, and the
	// changes that it just sent.
	common := append(slices.Clone(p.shared), p.heads...)
	for _, c := range m.Changes {
		if h, ok := chunkHash(c); ok {
			common = append(common, h)
		}
	}
	p.shared = g.tips(common)
}

// acknowledge drops from the sent changes those that the peer's heads cover.
func (g *Graph) acknowledge(p *Peer) {
	floor := len(g.nodes)
	for h := range p.sent {
		floor = min(floor, g.index[h])
	}
	g.ancestors(p.heads, floor, func(i int) { delete(p.sent, g.nodes[i].Hash) })
}

// chunkHash names the change in an uncompressed chunk: SHA-256 over type,
// length and body, which follow four bytes of magic and four of checksum.
func chunkHash(chunk []byte) (change.Hash, bool) {
	const plain = 1
	if len(chunk) < 10 || chunk[8] != plain {
		return change.Hash{}, false
	}
	return sha256.Sum256(chunk[8:]), true
}

// Generate gives the next message for the peer, and false if there is nothing
// to say: the peer is level with us, or has not answered yet. Call it after
// every Receive and every Add.
func (g *Graph) Generate(p *Peer) (wire.SyncMessage, bool) {
	quiet := p.responded && slices.Equal(p.lastSent, g.heads)
	if quiet && p.inFlight {
		return wire.SyncMessage{}, false
	}
	if len(p.have) > 0 && len(g.Missing(p.have[0].LastSync)) > 0 {
		// The peer counts on something that we lost, or that we never took. An
		// empty have makes it start from nothing.
		return g.say(p, wire.SyncMessage{Heads: g.Heads(), Have: []wire.Have{{}}})
	}

	var out []int
	if p.heard {
		out = g.owed(p)
	}
	if quiet && len(out) == 0 && p.heard && slices.Equal(p.heads, g.heads) {
		return wire.SyncMessage{}, false
	}

	m := wire.SyncMessage{Heads: g.Heads(), Need: g.wants(p)}
	// While deps of held changes are missing, only those are asked for: with a
	// filter, the peer would leave them out once more.
	if !slices.ContainsFunc(m.Need, func(h change.Hash) bool { return !slices.Contains(p.heads, h) }) {
		p.shared = g.tips(p.shared)
		m.Have = []wire.Have{{LastSync: slices.Clone(p.shared), Bloom: wire.NewBloom(g.hashes(g.since(p.shared)))}}
	}
	bytes := 0
	for _, i := range out {
		n := &g.nodes[i]
		if bytes += len(n.Bytes); bytes > g.budget && len(m.Changes) > 0 {
			break
		}
		m.Changes = append(m.Changes, n.Bytes)
		if p.sent == nil {
			p.sent = map[change.Hash]struct{}{}
		}
		p.sent[n.Hash] = struct{}{}
	}
	return g.say(p, m)
}

// say notes that m goes out, unless it has been said often enough.
func (g *Graph) say(p *Peer, m wire.SyncMessage) (wire.SyncMessage, bool) {
	if p.echo.spent(m) {
		return wire.SyncMessage{}, false
	}
	p.responded, p.inFlight = true, true
	p.lastSent = m.Heads
	return m, true
}

// owed gives the indices of the changes that the peer lacks and was not sent:
// first those it asked for by name, then, in order, those that its filters do
// not hold and all that depend on one of these.
func (g *Graph) owed(p *Peer) []int {
	unsent := func(i int) bool {
		_, ok := p.sent[g.nodes[i].Hash]
		return !ok
	}
	var follow []int
	chosen := map[change.Hash]bool{}
	if len(p.have) > 0 {
		// The reference goes by the lastSync alone. After a peer's call to start
		// from nothing that would give the same first changes again and again,
		// once a message cannot hold them all; the peer's heads say how far it is.
		known := slices.Clone(p.heads)
		for _, h := range p.have {
			known = append(known, h.LastSync...)
		}
		for _, i := range g.since(known) { // rising, so deps are judged first
			n := &g.nodes[i]
			lacks := slices.ContainsFunc(n.Deps, func(d change.Hash) bool { return chosen[d] })
			if !lacks {
				lacks = !slices.ContainsFunc(p.have, func(h wire.Have) bool {
					g.effort += h.Bloom.Probes()
					return h.Bloom.Contains(n.Hash)
				})
			}
			if lacks {
				chosen[n.Hash] = true
				if unsent(i) {
					follow = append(follow, i)
				}
			}
		}
	}
	var out []int
	for _, h := range p.need {
		if i, ok := g.index[h]; ok && !chosen[h] && unsent(i) {
			out = append(out, i)
		}
	}
	slices.Sort(out)
	return append(out, follow...)
}

func (g *Graph) hashes(indices []int) []change.Hash {
	out := make([]change.Hash, len(indices))
	for k, i := range indices {
		out[k] = g.nodes[i].Hash
	}
	return out
}
