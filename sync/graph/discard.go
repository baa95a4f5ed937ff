package graph

import (
	"slices"

	"gatewright/sync/change"
)

// Waiting gives the changes held for the peer, sorted by hash.
func (p *Peer) Waiting() []Node {
	out := make([]Node, 0, len(p.held))
	for _, n := range p.held {
		out = append(out, n)
	}
	slices.SortFunc(out, func(a, b Node) int { return a.Hash.Compare(b.Hash) })
	return out
}

// Discard forgets a held change whose deps will never be taken: without this
// they would be asked for by name in every message.
func (p *Peer) Discard(h change.Hash) {
	if n, ok := p.held[h]; ok {
		delete(p.held, h)
		p.heldBytes -= len(n.Bytes)
	}
}

// Reaches reports whether h is one of the given changes or an ancestor of one.
// Operation counters rise along every path, so the search does not go below
// that of h.
func (g *Graph) Reaches(from []change.Hash, h change.Hash) bool {
	goal, ok := g.index[h]
	if !ok {
		return false
	}
	floor := g.nodes[goal].MaxOp
	open := slices.Clone(from)
	seen := map[change.Hash]bool{}
	for len(open) > 0 {
		at := open[len(open)-1]
		open = open[:len(open)-1]
		if at == h {
			return true
		}
		i, ok := g.index[at]
		if !ok || i < goal || seen[at] || g.nodes[i].MaxOp < floor {
			continue
		}
		seen[at] = true
		open = append(open, g.nodes[i].Deps...)
	}
	return false
}
