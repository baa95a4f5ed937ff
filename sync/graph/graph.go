// Package graph holds which changes of one document exist and how they hang
// together, and speaks version 1 of the Automerge sync protocol over it: one
// Graph per document, one Peer per document and connection.
//
// It looks at hashes only. What a change means, who may make it and whether it
// is stored is settled before Add. Nothing here reads a clock, blocks or keeps
// order by chance: the same calls give the same messages. A Graph and its
// Peers are used by one goroutine at a time.
//
// The protocol expects an ordered, reliable stream. When the stream breaks,
// call Peer.Reset and begin again.
package graph

import (
	"fmt"
	"iter"
	"slices"

	"gatewright/sync/change"
)

// Node is one change as the graph sees it.
type Node struct {
	Hash  change.Hash
	Deps  []change.Hash
	Actor change.Actor
	Seq   uint64
	MaxOp uint64 // counter of the last operation of this change
	Bytes []byte // the chunk as it is sent to peers; not copied
}

// Graph is the changes of one document. The zero value is not usable.
type Graph struct {
	nodes []Node // insertion order, which is topological: deps come first
	index map[change.Hash]int
	heads []change.Hash // sorted
	seqs  map[change.Actor]uint64

	budget int // bytes of chunks in one message

	effort int

	// Of since: a mark for every node, all zero between calls. To make them
	// anew would cost every message in proportion to the whole history.
	marks   []uint8
	touched []int
}

// New gives an empty graph.
func New() *Graph {
	return &Graph{index: map[change.Hash]int{}, seqs: map[change.Actor]uint64{}, budget: MaxChangeBytes}
}

// Add puts a change in. All its deps must be there already; a change that is
// known is left as it is.
func (g *Graph) Add(n Node) error {
	if g.Has(n.Hash) {
		return nil
	}
	for _, d := range n.Deps {
		if !g.Has(d) {
			return fmt.Errorf("adding change %s: dep %s is missing", n.Hash, d)
		}
	}
	g.index[n.Hash] = len(g.nodes)
	g.nodes = append(g.nodes, n)
	g.seqs[n.Actor] = max(g.seqs[n.Actor], n.Seq)

	heads := make([]change.Hash, 0, len(g.heads)+1)
	for _, h := range g.heads {
		if !slices.Contains(n.Deps, h) {
			heads = append(heads, h)
		}
	}
	g.heads = normal(append(heads, n.Hash))
	return nil
}

// Heads gives the changes that no other change depends on, sorted. The caller
// owns the slice.
func (g *Graph) Heads() []change.Hash { return slices.Clone(g.heads) }

// Len is the number of changes.
func (g *Graph) Len() int { return len(g.nodes) }

// Has reports whether the change is in the graph.
func (g *Graph) Has(h change.Hash) bool {
	_, ok := g.index[h]
	return ok
}

// Node gives a change by its hash.
func (g *Graph) Node(h change.Hash) (Node, bool) {
	i, ok := g.index[h]
	if !ok {
		return Node{}, false
	}
	return g.nodes[i], true
}

// LastSeq is the greatest sequence number of the actor's changes, 0 if there
// is none.
func (g *Graph) LastSeq(a change.Actor) uint64 { return g.seqs[a] }

// MaxOp is the greatest operation counter in the given changes and their
// ancestors, 0 for none. Since every change counts on from its deps, looking
// at the given ones is enough. Unknown hashes count as 0.
func (g *Graph) MaxOp(deps []change.Hash) uint64 {
	var m uint64
	for _, d := range deps {
		if i, ok := g.index[d]; ok {
			m = max(m, g.nodes[i].MaxOp)
		}
	}
	return m
}

// Effort counts the changes that were looked at and the filters' probes that
// were made for messages, since New: what a peer's words cost here.
func (g *Graph) Effort() int { return g.effort }

// InOrder gives all changes, deps before what depends on them.
func (g *Graph) InOrder() iter.Seq[Node] { return slices.Values(g.nodes) }

// Missing gives those of the hashes that are not in the graph, sorted, each
// once.
func (g *Graph) Missing(hashes []change.Hash) []change.Hash {
	var out []change.Hash
	for _, h := range hashes {
		if !g.Has(h) {
			out = append(out, h)
		}
	}
	return normal(out)
}

// normal sorts and removes doubles, in place.
func normal(hashes []change.Hash) []change.Hash {
	slices.SortFunc(hashes, change.Hash.Compare)
	return slices.Compact(hashes)
}

// since gives the indices, rising, of the changes that are neither among the
// given ones nor ancestors of them. Unknown hashes are passed over. The work
// is in proportion to what lies above the oldest of the result.
func (g *Graph) since(known []change.Hash) []int {
	const wanted, shared = 1, 2
	if grow := len(g.nodes) - len(g.marks); grow > 0 {
		g.marks = append(g.marks, make([]uint8, grow)...)
	}
	open := 0 // marked wanted and not yet visited
	set := func(i int, to uint8) {
		switch g.marks[i] {
		case 0:
			g.touched = append(g.touched, i)
		case wanted:
			open--
		}
		g.marks[i] = to
	}
	for _, h := range g.heads {
		set(g.index[h], wanted)
		open++
	}
	for _, h := range known {
		if i, ok := g.index[h]; ok {
			set(i, shared)
		}
	}
	var out []int
	// Descendants have the greater index, so a mark is final when its turn comes.
	for i := len(g.nodes) - 1; i >= 0 && open > 0; i-- {
		g.effort++
		switch g.marks[i] {
		case wanted:
			open--
			out = append(out, i)
			for _, d := range g.nodes[i].Deps {
				if j := g.index[d]; g.marks[j] == 0 {
					set(j, wanted)
					open++
				}
			}
		case shared:
			for _, d := range g.nodes[i].Deps {
				set(g.index[d], shared)
			}
		}
	}
	for _, i := range g.touched {
		g.marks[i] = 0
	}
	g.touched = g.touched[:0]
	slices.Reverse(out)
	return out
}

// ancestors calls visit with the index of each given change and each of its
// ancestors, falling, down to the index floor. Unknown hashes are passed over.
func (g *Graph) ancestors(of []change.Hash, floor int, visit func(i int)) {
	top := -1
	for _, h := range of {
		if i, ok := g.index[h]; ok {
			top = max(top, i)
		}
	}
	if top < floor {
		return
	}
	g.effort += top - floor + 1
	mark := make([]bool, top-floor+1)
	for _, h := range of {
		if i, ok := g.index[h]; ok && i >= floor {
			mark[i-floor] = true
		}
	}
	for i := top; i >= floor; i-- {
		if !mark[i-floor] {
			continue
		}
		visit(i)
		for _, d := range g.nodes[i].Deps {
			if j := g.index[d]; j >= floor {
				mark[j-floor] = true
			}
		}
	}
}

// tips keeps of the given changes those that are no ancestor of another one,
// sorted. Unknown hashes are dropped.
func (g *Graph) tips(of []change.Hash) []change.Hash {
	var known []change.Hash
	floor := len(g.nodes)
	for _, h := range of {
		if i, ok := g.index[h]; ok {
			known = append(known, h)
			floor = min(floor, i)
		}
	}
	known = normal(known)
	if len(known) < 2 {
		return known
	}
	covered := map[change.Hash]bool{}
	g.ancestors(known, floor, func(i int) {
		for _, d := range g.nodes[i].Deps {
			covered[d] = true
		}
	})
	return slices.DeleteFunc(known, func(h change.Hash) bool { return covered[h] })
}
