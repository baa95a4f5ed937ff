package hub

import (
	"errors"
	"fmt"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/graph"
)

// docState says what a document is waiting for.
type docState uint8

const (
	cold       docState = iota // nothing in memory, nothing asked for
	loading                    // the store was asked for the changes
	ready                      // takes the next group
	looking                    // a group waits for what its judgement needs
	committing                 // a group waits for the store
)

// document is one document in memory. What stands in its graph is stored, or
// is of the group that is being committed; no message is made for a peer while
// a group is.
type document struct {
	name, id string
	state    docState
	loaded   bool // the graph and what goes with it are there

	g       *graph.Graph
	last    map[change.Actor]mark
	persons map[logbook.EntryID]string // of a log: who wrote which entry
	plan    *admit.Plan                // of the plan, once it is asked for

	// Changes that are stored, and that the store could not give back whole, or
	// that depend on one. They were admitted: whoever brings the bytes that have
	// such a hash puts the store right.
	lost map[change.Hash]*StoredChange

	blocked  map[change.Hash]*block
	heldSize int                           // bytes of those held
	turned   map[change.Hash]admit.Verdict // changes that the store refused

	peers map[ConnID]*peer
	queue []*item

	group   *group
	waiting map[Token]bool // answers to come
	failure error          // the first error among the answers

	waiters []string      // documents whose group waits for this one to be loaded
	months  int           // documents that this one's group waits for
	hinted  []change.Hash // heads that another node wrote while a group was under way
	// sought are the heads in the store that were gone after, once: what is
	// damaged there is not read again at every comparison.
	sought    []change.Hash
	idleSince int64
}

// mark is the newest change of an actor.
type mark struct {
	seq  uint64
	hash change.Hash
}

// peer is one connection's view of a document.
type peer struct {
	graph.Peer
	size int                  // as the device's toll has it
	told map[change.Hash]bool // changes it was told about: true as refused, false as held; nil while there are none
}

// document gives the document of that name; it may still be cold.
func (s *Site) document(name string) *document {
	d := s.docs[name]
	if d == nil {
		d = &document{
			name: name, id: s.documentID(name),
			blocked: map[change.Hash]*block{}, turned: map[change.Hash]admit.Verdict{},
			peers: map[ConnID]*peer{}, waiting: map[Token]bool{},
		}
		s.docs[name] = d
	}
	d.idleSince = 0
	return d
}

// quiet reports that nothing is under way.
func (d *document) quiet() bool {
	return (d.state == ready || d.state == cold) && len(d.queue) == 0 && d.group == nil && len(d.waiters) == 0
}

// rest forgets what stands in memory of a document that nobody has used for a
// while, but not its peers: most phones are connected to a silent site. The
// next message has it loaded. What is held stays, because other documents can
// set it free.
func (d *document) rest() {
	if d.loaded && d.state == ready && !d.anyHeld() {
		d.loaded, d.state = false, cold
		d.g, d.last, d.persons, d.plan = nil, nil, nil, nil
	}
}

// load asks for the document if nobody has.
func (s *Site) load(d *document) {
	if d.state == cold {
		d.state = loading
		s.emit(Load{Doc: d.name})
	}
}

// reload forgets what stands in memory, but not the peers, and asks again.
func (s *Site) reload(d *document) {
	d.loaded, d.hinted = false, nil
	d.g, d.last, d.persons, d.plan = nil, nil, nil, nil
	d.state = loading
	s.emit(Load{Doc: d.name})
}

// refresh asks for what another node wrote. What stands in memory is stored,
// and stays.
func (s *Site) refresh(d *document) {
	d.state, d.hinted = loading, nil
	s.emit(Load{Doc: d.name})
}

// catchUp fetches what another node said it wrote while something was under
// way, unless it has come since.
func (s *Site) catchUp(d *document) {
	if d.state != ready {
		return
	}
	if len(d.g.Missing(d.hinted)) == 0 {
		d.hinted = nil
		return
	}
	s.refresh(d)
}

func (s *Site) onLoaded(ev Loaded) {
	d := s.docs[ev.Doc]
	if d == nil || d.state != loading {
		return
	}
	if ev.Err != nil {
		s.fail(d, ev.Err)
		return
	}
	if d.g == nil {
		d.g, d.last = graph.New(), map[change.Actor]mark{}
		d.persons, d.plan = map[logbook.EntryID]string{}, nil
	}
	s.fill(d, ev.Changes)
	for h, b := range d.blocked { // those held come anew
		if b.held {
			delete(d.blocked, h)
		}
	}
	d.heldSize = 0
	for _, h := range ev.Held {
		s.restoreHeld(d, h)
	}
	d.loaded, d.state = true, ready
	if d.g.Len() > 0 {
		s.moved(d, d.g.Heads())
	}
	s.recheck(d)
	s.fanOut(d) // another node may have written what our peers lack
	s.catchUp(d)
	waiters := d.waiters
	d.waiters = nil
	s.run(d)
	for _, name := range waiters {
		if w := s.docs[name]; w != nil && w.months > 0 {
			w.months--
			s.resume(w)
		}
	}
}

// storedLimits are those under which a change that is stored is read back.
// The store was filled through the stricter ones.
var storedLimits = change.Limits{Chunk: 4 << 20, Inflated: 4 << 20, Ops: 200_000, Preds: 200_000, Deps: 100_000}

// fill puts stored changes into memory, deps first. A change that cannot be
// read, or that lacks a dependency, is left out with all that depends on it:
// what is whole goes on working, and the phones still have the rest and bring it.
func (s *Site) fill(d *document, stored []StoredChange) {
	type row struct {
		c *change.Change
		s *StoredChange
	}
	d.lost = nil
	lose := func(c *StoredChange, err error) {
		if d.lost == nil {
			d.lost = map[change.Hash]*StoredChange{}
		}
		d.lost[c.Hash] = c
		s.emit(Trouble{Doc: d.name, Err: fmt.Errorf("stored change %s: %w", c.Hash, err)})
	}
	rest := make([]row, 0, len(stored))
	for i := range stored {
		if d.g.Has(stored[i].Hash) {
			continue
		}
		c, err := change.Decode(stored[i].Bytes, storedLimits)
		if err == nil && c.Hash != stored[i].Hash {
			err = errors.New("its bytes have another hash")
		}
		if err != nil {
			lose(&stored[i], err)
			continue
		}
		rest = append(rest, row{c, &stored[i]})
	}
	slices.SortFunc(rest, func(a, b row) int { return a.c.Hash.Compare(b.c.Hash) })
	byHash := make(map[change.Hash]int, len(rest))
	for i := range rest {
		byHash[rest[i].c.Hash] = i
	}
	// Depth first, without recursion: histories are long and thin.
	done := make([]bool, len(rest))
	var stack []int
	for i := range rest {
		stack = append(stack[:0], i)
		for len(stack) > 0 {
			at := stack[len(stack)-1]
			if done[at] {
				stack = stack[:len(stack)-1]
				continue
			}
			before := len(stack)
			for _, dep := range rest[at].c.Deps {
				if j, ok := byHash[dep]; ok && !done[j] {
					stack = append(stack, j)
				}
			}
			if len(stack) > before {
				continue
			}
			done[at] = true
			stack = stack[:len(stack)-1]
			if len(d.g.Missing(rest[at].c.Deps)) > 0 {
				lose(rest[at].s, errors.New("a dependency is missing"))
				continue
			}
			s.actors[rest[at].c.Actor] = rest[at].s.Device
			d.add(rest[at].c, rest[at].s.Entries)
		}
	}
}

// add puts an admitted change into memory. Its deps are there.
func (d *document) add(c *change.Change, entries []EntryRow) {
	_ = d.g.Add(graph.Node{Hash: c.Hash, Deps: c.Deps, Actor: c.Actor, Seq: c.Seq, MaxOp: c.MaxOp(), Bytes: c.Bytes})
	if d.last[c.Actor].seq < c.Seq {
		d.last[c.Actor] = mark{c.Seq, c.Hash}
	}
	for _, e := range entries {
		d.persons[logbook.EntryID(e.ID)] = e.Person
	}
	if d.plan != nil {
		d.plan.Apply(c)
	}
}

// folded gives the plan as its changes make it. It is many times as
// large as the bytes it comes from, and wanted only when somebody edits it.
func (d *document) folded() *admit.Plan {
	if d.plan == nil {
		d.plan = admit.NewPlan()
		for n := range d.g.InOrder() {
			if c, err := change.Decode(n.Bytes, storedLimits); err == nil { // it was read before
				d.plan.Apply(c)
			}
		}
	}
	return d.plan
}

// knowledge answers admit from what is in memory.
type knowledge struct {
	s *Site
	d *document
}

func (k knowledge) MaxOp(of []change.Hash) uint64 { return k.d.g.MaxOp(of) }

func (k knowledge) Last(a change.Actor) (uint64, change.Hash) {
	m := k.d.last[a]
	return m.seq, m.hash
}

func (k knowledge) Reaches(from []change.Hash, h change.Hash) bool { return k.d.g.Reaches(from, h) }

func (k knowledge) ActorDevice(a change.Actor) string { return k.s.actors[a] }

func (k knowledge) Author(device string) (admit.Author, bool) {
	if k.d.group == nil {
		return admit.Author{}, false
	}
	a := k.d.group.authors[device]
	if a == nil {
		return admit.Author{}, false
	}
	return *a, true
}

func (k knowledge) Entry(id logbook.EntryID) (string, bool) {
	d := k.d
	if name := id.Document(); name != d.name {
		if d = k.s.docs[name]; d == nil || !d.loaded {
			return "", false
		}
	}
	p, ok := d.persons[id]
	return p, ok
}

func (k knowledge) Plan() *admit.Plan { return k.d.folded() }
