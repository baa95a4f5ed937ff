package graph

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// side is one end of a connection, with the payloads on their way to it.
type side struct {
	name  string
	world *world
	g     *Graph
	p     *Peer
	inbox [][]byte
	most  int // largest number of change bytes received at once
}

func (s *side) generate(other *side) bool {
	m, ok := s.g.Generate(s.p)
	if ok {
		other.inbox = append(other.inbox, m.Encode())
	}
	return ok
}

// deliver takes one payload in as a hub does: add what can be added, hold the
// rest, add what becomes ready, then tell the sync state.
func (s *side) deliver() error {
	payload := s.inbox[0]
	s.inbox = s.inbox[1:]
	m, err := wire.DecodeSync(payload)
	if err != nil {
		return err
	}
	bytes := 0
	for _, c := range m.Changes {
		bytes += len(c)
		n := s.world.read(c)
		if len(s.g.Missing(n.Deps)) > 0 {
			if !s.p.Hold(n) {
				return fmt.Errorf("%s holds too much", s.name)
			}
			continue
		}
		if err := s.g.Add(n); err != nil {
			return err
		}
		for ready := s.g.Ready(s.p); len(ready) > 0; ready = s.g.Ready(s.p) {
			for _, n := range ready {
				if err := s.g.Add(n); err != nil {
					return err
				}
			}
		}
	}
	s.most = max(s.most, bytes)
	s.g.Receive(s.p, m)
	return nil
}

// settle lets both sides talk until neither has anything to say.
func settle(a, b *side) error {
	for range 50 + 6*(a.g.Len()+b.g.Len()) {
		spoke := a.generate(b)
		spoke = b.generate(a) || spoke
		if !spoke && len(a.inbox) == 0 && len(b.inbox) == 0 {
			return nil
		}
		for _, s := range []*side{a, b} {
			if len(s.inbox) > 0 {
				if err := s.deliver(); err != nil {
					return err
				}
			}
		}
	}
	return fmt.Errorf("no silence: %d and %d changes, heads %.8v and %.8v, needs %.8v and %.8v",
		a.g.Len(), b.g.Len(), a.g.Heads(), b.g.Heads(), a.p.need, b.p.need)
}

func level(a, b *side, all int) error {
	if !slices.Equal(a.g.Heads(), b.g.Heads()) || a.g.Len() != b.g.Len() {
		return fmt.Errorf("silent, but not level: %d and %d changes", a.g.Len(), b.g.Len())
	}
	if all >= 0 && a.g.Len() != all {
		return fmt.Errorf("%d changes, want %d", a.g.Len(), all)
	}
	for _, s := range []*side{a, b} {
		other := a
		if s == a {
			other = b
		}
		if !slices.Equal(s.p.TheirHeads(), s.g.Heads()) && s.g.Len() > 0 {
			return fmt.Errorf("%s does not know that the other is level", s.name)
		}
		if len(s.p.held) > 0 { // right only if what they wait for exists nowhere any more
			wants := s.g.wants(s.p)
			if all >= 0 || len(wants) == 0 || len(other.g.Missing(wants)) < len(wants) {
				return fmt.Errorf("%s still holds %d changes", s.name, len(s.p.held))
			}
		}
		if len(s.p.sent) != 0 {
			return fmt.Errorf("%s waits for %d changes to be acknowledged", s.name, len(s.p.sent))
		}
	}
	return nil
}

func pair(w *world) (*side, *side) {
	return &side{name: "a", world: w, g: New(), p: &Peer{}}, &side{name: "b", world: w, g: New(), p: &Peer{}}
}

// Two sides that write, fork, lose messages, lose the connection and lose
// their data come level and fall silent, however much the filters lie.
func TestSidesComeLevel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := &world{buckets: rapid.SampledFrom([]int{0, 0, 1, 2, 5, 20}).Draw(t, "buckets")}
		a, b := pair(w)
		sides := []*side{a, b}
		budget := rapid.SampledFrom([]int{1, 100, 400, MaxChangeBytes}).Draw(t, "budget")
		a.g.budget, b.g.budget = budget, budget
		lost := false // some change may exist nowhere any more
		pick := func() (*side, *side) {
			if rapid.Bool().Draw(t, "side a") {
				return a, b
			}
			return b, a
		}
		steps := map[string]func(*rapid.T){
			"write": func(t *rapid.T) {
				s, _ := pick()
				for range rapid.IntRange(1, 6).Draw(t, "times") {
					if err := s.g.Add(w.node(s.g.Heads(), s.g.MaxOp(s.g.Heads()))); err != nil {
						t.Fatal(err)
					}
				}
			},
			"fork": func(t *rapid.T) { // another phone's work from an older state arrives
				s, _ := pick()
				var all []change.Hash
				for n := range s.g.InOrder() {
					all = append(all, n.Hash)
				}
				for range rapid.IntRange(1, 4).Draw(t, "branches") {
					deps := s.g.tips(subset(t, all, 2, "deps"))
					for range rapid.IntRange(1, 4).Draw(t, "length") {
						n := w.node(deps, s.g.MaxOp(deps))
						if err := s.g.Add(n); err != nil {
							t.Fatal(err)
						}
						deps = []change.Hash{n.Hash}
					}
				}
			},
			"generate": func(t *rapid.T) { s, o := pick(); s.generate(o) },
			"deliver": func(t *rapid.T) {
				if s, _ := pick(); len(s.inbox) > 0 {
					if err := s.deliver(); err != nil {
						t.Fatal(err)
					}
				}
			},
			"settle": func(t *rapid.T) {
				if err := settle(a, b); err != nil {
					t.Fatal(err)
				}
				if err := level(a, b, -1); err != nil {
					t.Fatal(err)
				}
			},
			"break": func(t *rapid.T) { // the connection; what was on its way is lost
				for _, s := range sides {
					s.p.Reset()
					s.inbox = nil
				}
			},
			"forget": func(t *rapid.T) { // one side restarts without its sync state
				s, o := pick()
				*s.p = Peer{}
				o.p.Reset()
				s.inbox, o.inbox = nil, nil
			},
			"restore": func(t *rapid.T) { // one side restarts from a backup
				s, o := pick()
				old := New()
				old.budget = budget
				for _, n := range s.g.nodes[:rapid.IntRange(0, s.g.Len()).Draw(t, "kept")] {
					if err := old.Add(n); err != nil {
						t.Fatal(err)
					}
				}
				lost = true
				s.g, s.p = old, &Peer{}
				o.p.Reset()
				s.inbox, o.inbox = nil, nil
			},
			"lose": func(t *rapid.T) { // one side loses all, and the other does not notice
				s, _ := pick()
				lost = true
				s.g, s.p = New(), &Peer{}
				s.g.budget = budget
			},
		}
		t.Repeat(steps)

		if err := settle(a, b); err != nil {
			t.Fatal(err)
		}
		all := len(w.known)
		if lost {
			all = -1
		}
		if err := level(a, b, all); err != nil {
			t.Fatal(err)
		}
		if a.generate(b) || b.generate(a) {
			t.Fatal("not silent any more")
		}
	})
}

// A chain that the other side's filter claims to hold is fetched by name.
func TestLyingFilter(t *testing.T) {
	w := &world{buckets: 1} // every filter claims to hold everything
	a, b := pair(w)
	root := w.node(nil, 0)
	add(t, a.g, root)
	add(t, b.g, root)
	add(t, b.g, w.node([]change.Hash{root.Hash}, 1))
	deps := []change.Hash{root.Hash}
	for range 5 {
		n := w.node(deps, 1)
		add(t, a.g, n)
		deps = []change.Hash{n.Hash}
	}
	if err := settle(a, b); err != nil {
		t.Fatal(err)
	}
	if err := level(a, b, 7); err != nil {
		t.Fatal(err)
	}
}

func TestMessagesAreBounded(t *testing.T) {
	w := &world{}
	a, b := pair(w)
	const each, count = 20 << 10, 100 // 2 MB
	for range count {
		n := w.node(a.g.Heads(), 0)
		n.Bytes = append(slices.Clip(n.Bytes), make([]byte, each)...)
		n.Hash, _ = chunkHash(n.Bytes)
		w.known[n.Hash] = n
		add(t, a.g, n)
	}
	if err := settle(a, b); err != nil {
		t.Fatal(err)
	}
	if err := level(a, b, count); err != nil {
		t.Fatal(err)
	}
	if b.most > MaxChangeBytes || b.most < MaxChangeBytes/2 {
		t.Errorf("largest message had %d bytes of changes", b.most)
	}

	// one chunk beyond the bound goes alone
	a, b = pair(w)
	a.g.budget = 100
	add(t, a.g, w.node(nil, 0))
	big := w.node(a.g.Heads(), 1)
	big.Bytes = append(slices.Clip(big.Bytes), make([]byte, 500)...)
	big.Hash, _ = chunkHash(big.Bytes)
	w.known[big.Hash] = big
	add(t, a.g, big)
	if err := settle(a, b); err != nil {
		t.Fatal(err)
	}
	if err := level(a, b, 2); err != nil {
		t.Fatal(err)
	}
	if b.most != len(big.Bytes) {
		t.Errorf("largest message had %d bytes of changes, want %d", b.most, len(big.Bytes))
	}
}

// While nothing is answered, one message is out at most; a new change makes
// another one worth sending.
func TestOneMessageInFlight(t *testing.T) {
	w := &world{}
	a, b := pair(w)
	if !a.generate(b) {
		t.Fatal("the first message is always sent: the other side must learn our heads")
	}
	if a.generate(b) {
		t.Error("sent twice")
	}
	add(t, a.g, w.node(nil, 0))
	if !a.generate(b) {
		t.Error("a new change was kept back")
	}
	if a.generate(b) {
		t.Error("sent twice")
	}
}

// A side that never takes what it is given and asks again does not keep both
// busy for ever.
func TestEndlessAskingEnds(t *testing.T) {
	w := &world{}
	a, b := pair(w)
	add(t, a.g, w.node(nil, 0))
	add(t, b.g, w.node(nil, 0))
	refused := a.g.Heads()[0]
	said := 0
	for {
		spoke := a.generate(b)
		if b.generate(a) {
			spoke = true
		}
		if !spoke {
			break
		}
		if said++; said > 20 {
			t.Fatal("still talking")
		}
		for _, s := range []*side{a, b} {
			for len(s.inbox) > 0 {
				m, err := wire.DecodeSync(s.inbox[0])
				if err != nil {
					t.Fatal(err)
				}
				s.inbox = s.inbox[1:]
				for _, c := range m.Changes {
					if n := w.read(c); n.Hash != refused {
						add(t, s.g, n)
					}
				}
				s.g.Receive(s.p, m)
			}
		}
	}
	if b.g.Has(refused) || a.g.Len() != 2 {
		t.Fatal("the scene is wrong")
	}
	// what is new still passes, in both directions
	add(t, b.g, w.node(b.g.Heads(), 1))
	if !b.generate(a) {
		t.Fatal("fell silent for good")
	}
	if err := a.deliver(); err != nil {
		t.Fatal(err)
	}
	if a.g.Len() != 3 {
		t.Errorf("%d changes, want 3", a.g.Len())
	}
}

func TestHoldIsBounded(t *testing.T) {
	w := &world{}
	g, p := New(), &Peer{}
	dep := w.node(nil, 0)
	var n Node
	for i := range MaxHeld {
		n = w.node([]change.Hash{dep.Hash}, 1)
		if !p.Hold(n) {
			t.Fatalf("number %d was not held", i)
		}
	}
	if !p.Hold(n) || p.Hold(w.node([]change.Hash{dep.Hash}, 1)) {
		t.Error("held again, or held too many")
	}
	if got := g.wants(p); !slices.Equal(got, []change.Hash{dep.Hash}) {
		t.Errorf("wants %v", got)
	}
	if len(g.Ready(p)) != 0 {
		t.Error("ready without the dep")
	}
	add(t, g, dep)
	add(t, g, n) // came from elsewhere
	if got := g.Ready(p); len(got) != MaxHeld-1 || p.heldBytes != 0 || len(p.held) != 0 {
		t.Errorf("%d ready, %d bytes left", len(got), p.heldBytes)
	}
	n.Bytes = make([]byte, MaxHeldBytes+1)
	n.Hash[0]++
	if p.Hold(n) {
		t.Error("held too many bytes")
	}
}
