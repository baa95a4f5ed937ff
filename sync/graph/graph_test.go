package graph

import (
	"crypto/sha256"
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"gatewright/sync/change"
)

// world makes changes that are told apart by their bytes and knows them again.
type world struct {
	known map[change.Hash]Node
	// buckets > 0 makes hashes that Bloom filters confuse: only the first
	// twelve bytes choose the bits, and these take so many values.
	buckets int
	bare    bool // without the shape of a plain chunk
}

func (w *world) node(deps []change.Hash, maxOp uint64) Node {
	if w.known == nil {
		w.known = map[change.Hash]Node{}
	}
	n := len(w.known) + 1
	body := binary.BigEndian.AppendUint64(nil, uint64(n))
	chunk := append([]byte{0x85, 0x6f, 0x4a, 0x83, 0, 0, 0, 0, 1, byte(len(body))}, body...)
	hash := change.Hash(sha256.Sum256(chunk[8:]))
	if w.buckets > 0 {
		pick := int(hash[31]) % w.buckets
		clear(hash[:12])
		hash[0] = byte(pick)
	}
	// the bytes carry the hash, since a confused one does not follow from them
	chunk = append(chunk, hash[:]...)
	if w.buckets == 0 {
		chunk = chunk[:18]
	}
	node := Node{Hash: hash, Deps: slices.Clone(deps), Actor: change.Actor(body), Seq: 1, MaxOp: maxOp + 1, Bytes: chunk}
	w.known[hash] = node
	return node
}

func (w *world) read(chunk []byte) Node {
	if h, ok := chunkHash(chunk); ok && w.buckets == 0 {
		return w.known[h]
	}
	return w.known[change.Hash(chunk[18:])]
}

func add(t testing.TB, g *Graph, n Node) {
	t.Helper()
	if err := g.Add(n); err != nil {
		t.Fatal(err)
	}
}

func TestGraph(t *testing.T) {
	w := &world{}
	g := New()
	if len(g.Heads()) != 0 || g.Len() != 0 || g.MaxOp(nil) != 0 {
		t.Error("an empty graph has something")
	}
	a := w.node(nil, 0)
	b := w.node([]change.Hash{a.Hash}, a.MaxOp)
	c := w.node([]change.Hash{a.Hash}, a.MaxOp)
	d := w.node(normal([]change.Hash{b.Hash, c.Hash}), b.MaxOp)
	if err := g.Add(b); err == nil || g.Len() != 0 {
		t.Error("a change without its dep was added")
	}
	for _, n := range []Node{a, b, c, c, a} {
		add(t, g, n)
	}
	if got, want := g.Heads(), normal([]change.Hash{b.Hash, c.Hash}); !slices.Equal(got, want) {
		t.Errorf("heads %v, want %v", got, want)
	}
	if got, want := g.Missing([]change.Hash{d.Hash, a.Hash, d.Hash}), []change.Hash{d.Hash}; !slices.Equal(got, want) {
		t.Errorf("missing %v, want %v", got, want)
	}
	add(t, g, d)
	if got := g.Heads(); !slices.Equal(got, []change.Hash{d.Hash}) {
		t.Errorf("heads %v", got)
	}
	if g.Len() != 4 || g.MaxOp(d.Deps) != 2 || g.LastSeq(a.Actor) != 1 || g.LastSeq("nobody") != 0 {
		t.Error("length, MaxOp or LastSeq")
	}
	if got, ok := g.Node(b.Hash); !ok || !cmp.Equal(got, b) {
		t.Error("Node")
	}
	if got := slices.Collect(g.InOrder()); !cmp.Equal(got, []Node{a, b, c, d}) {
		t.Errorf("order %v", got)
	}
}

// since, tips and acknowledge against sets of ancestors computed the long way.
func TestAncestry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, g := &world{}, New()
		above := map[change.Hash]map[change.Hash]bool{} // hash -> itself and its ancestors
		all := []change.Hash{}
		for range rapid.IntRange(0, 30).Draw(t, "changes") {
			deps := subset(t, all, 3, "deps")
			n := w.node(deps, g.MaxOp(deps))
			if err := g.Add(n); err != nil {
				t.Fatal(err)
			}
			up := map[change.Hash]bool{n.Hash: true}
			for _, d := range n.Deps {
				for h := range above[d] {
					up[h] = true
				}
			}
			above[n.Hash] = up
			all = append(all, n.Hash)
		}
		known := append(subset(t, all, 4, "known"), sha256.Sum256([]byte("unknown")))
		covered := map[change.Hash]bool{}
		for _, k := range known {
			for h := range above[k] {
				covered[h] = true
			}
		}
		var want []change.Hash
		for _, h := range all {
			if !covered[h] {
				want = append(want, h)
			}
		}
		if got := g.hashes(g.since(known)); !slices.Equal(got, want) {
			t.Fatalf("since %v: %v, want %v", known, got, want)
		}

		for _, h := range append(all, sha256.Sum256([]byte("unknown"))) {
			if got := g.Reaches(known[:len(known)-1], h); got != covered[h] {
				t.Fatalf("%v reach %.8s: %v", known, h, got)
			}
		}

		var tips []change.Hash
		for _, h := range known {
			tip := g.Has(h)
			for _, o := range known {
				tip = tip && (o == h || !above[o][h])
			}
			if tip {
				tips = append(tips, h)
			}
		}
		if got := g.tips(known); !slices.Equal(got, normal(tips)) {
			t.Fatalf("tips of %v: %v, want %v", known, got, tips)
		}

		p := &Peer{heads: known, sent: map[change.Hash]struct{}{}}
		left := 0
		for _, h := range subset(t, all, 10, "sent") {
			p.sent[h] = struct{}{}
		}
		for h := range p.sent {
			if !covered[h] {
				left++
			}
		}
		if len(p.sent) > 0 {
			g.acknowledge(p)
		}
		if len(p.sent) != left {
			t.Fatalf("%d of the sent changes left, want %d", len(p.sent), left)
		}
	})
}

func subset(t *rapid.T, all []change.Hash, most int, label string) []change.Hash {
	if len(all) == 0 {
		return nil
	}
	return normal(rapid.SliceOfN(rapid.SampledFrom(all), 0, most).Draw(t, label))
}

func BenchmarkGenerateQuiet(b *testing.B) {
	w, g := &world{}, New()
	r := rand.New(rand.NewPCG(1, 2))
	for range 1500 {
		deps := g.Heads()
		if r.IntN(3) == 0 && g.Len() > 5 {
			deps = []change.Hash{g.nodes[g.Len()-1-r.IntN(4)].Hash}
		}
		add(b, g, w.node(deps, 0))
	}
	p := &Peer{}
	for b.Loop() {
		p.Reset()
		p.shared = g.Heads()
		if _, ok := g.Generate(p); !ok {
			b.Fatal("silent")
		}
	}
}
