package hub_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/graph"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
	"gatewright/sync/storetest"
	"gatewright/sync/wire"
)

const (
	yard     = "6ba7b810-9dad-41d1-80b4-00c04fd430c8"
	hubID    = "hub"
	november = "log/2026-11"
	october  = "log/2026-10"
)

// noon is in November; every grant of the tests began a year before.
var (
	noon  = time.Date(2026, 11, 10, 12, 0, 0, 0, time.UTC).UnixMilli()
	begun = time.Date(2025, 11, 1, 0, 0, 0, 0, time.UTC).UnixMilli()
)

func person(n int) string { return fmt.Sprintf("p%09d", n) }
func device(n int) string { return fmt.Sprintf("d%09d", n) }

// lab runs a Site over a store in memory, one event after the other.
type lab struct {
	t     testing.TB
	mem   *memstore.Store
	store *storetest.Faulty
	site  *hub.Site
	now   int64
	ids   uint64
	conns hub.ConnID

	events   []hub.Event
	peers    map[hub.ConnID]*peer
	frames   int // in both directions
	done     map[hub.Token]error
	troubles []error

	until int64 // the restore window, as the accounts have it

	park   func(hub.Event) bool // answers of the store to be held back
	parked []hub.Event
	trace  []hub.Event
	times  []int64
	said   [][]hub.Effect
}

func newLab(t testing.TB) *lab {
	t.Helper()
	l := &lab{t: t, mem: memstore.New(), now: noon, peers: map[hub.ConnID]*peer{}, done: map[hub.Token]error{}}
	l.store = storetest.NewFaulty(l.mem)
	l.mem.PutSite(yard)
	l.restart(0)
	return l
}

func config(restoreUntil int64) hub.SiteConfig {
	return hub.SiteConfig{Site: yard, PeerID: hubID, StorageID: "store", Actor: "server actor 0001", RestoreUntil: restoreUntil}
}

// node is another node of the site over the same store, with a peer of its
// own that has November open.
func (l *lab) node() (*lab, *peer) {
	l.t.Helper()
	n := newLab(l.t)
	n.mem, n.store, n.now, n.ids = l.mem, l.store, l.now, 1000
	p := n.peer(l.enrol(3, "crew"))
	p.connect()
	p.open(november)
	n.settle(20)
	return n, p
}

// restart drops the machine and begins a new one over the same store.
func (l *lab) restart(restoreUntil int64) {
	l.t.Helper()
	for _, p := range l.peers {
		p.conn = 0
	}
	clear(l.peers)
	l.events, l.parked, l.trace, l.times, l.said = nil, nil, nil, nil, nil
	s, err := hub.NewSite(config(restoreUntil))
	if err != nil {
		l.t.Fatal(err)
	}
	l.site = s
}

func (l *lab) post(ev hub.Event) { l.events = append(l.events, ev) }

// enrol puts a device with one person into the store.
func (l *lab) enrol(n int, role admit.Role, more ...func(*admit.Author)) admit.Author {
	l.t.Helper()
	a := admit.Author{Device: device(n), People: []admit.Person{{ID: person(n), Role: role, From: begun}}}
	for _, f := range more {
		f(&a)
	}
	if err := l.mem.PutDevice(yard, a); err != nil {
		l.t.Fatal(err)
	}
	return a
}

// settle lets everything happen that is under way, and fails when that takes
// more than the given number of frames.
func (l *lab) settle(atMost int) {
	l.t.Helper()
	before := l.frames
	for {
		for len(l.events) > 0 {
			ev := l.events[0]
			l.events = l.events[1:]
			l.step(ev)
		}
		moved := false
		for id := hub.ConnID(1); id <= l.conns; id++ {
			p := l.peers[id]
			if p == nil || len(p.out) == 0 {
				continue
			}
			l.frames++
			l.post(hub.Frame{Conn: id, Bytes: p.out[0]})
			p.out = p.out[1:]
			moved = true
		}
		if n := l.frames - before; n > atMost {
			l.t.Fatalf("%d frames and no end, want at most %d", n, atMost)
		}
		if !moved {
			return
		}
	}
}

func (l *lab) step(ev hub.Event) {
	effects := l.site.Step(ev, l.now)
	l.trace, l.times, l.said = append(l.trace, ev), append(l.times, l.now), append(l.said, effects)
	for _, e := range effects {
		l.do(e)
	}
}

func (l *lab) answer(ev hub.Event) {
	if l.park != nil && l.park(ev) {
		l.parked = append(l.parked, ev)
		return
	}
	l.post(ev)
}

func (l *lab) do(e hub.Effect) {
	ctx := context.Background()
	switch e := e.(type) {
	case hub.Send:
		l.frames++
		if p := l.peers[e.Conn]; p != nil {
			p.receive(e.Bytes)
		}
	case hub.Close:
		if p := l.peers[e.Conn]; p != nil {
			p.conn, p.out, p.closed = 0, nil, &e
			delete(l.peers, e.Conn)
		}
	case hub.List:
		l.answer(e.In(ctx, l.store, yard))
	case hub.Access:
		l.answer(e.In(ctx, l.store, yard, func(context.Context, string) (int64, error) { return l.until, nil }))
	case hub.Load:
		changes, held, err := l.store.Load(ctx, yard, e.Doc)
		l.answer(hub.Loaded{Doc: e.Doc, Changes: changes, Held: held, Err: err})
	case hub.Look:
		ev := hub.Looked{Token: e.Token, Authors: map[string]admit.Author{}}
		ev.Actors, ev.Err = l.store.ActorDevices(ctx, yard, e.Actors)
		for _, d := range e.Devices {
			if a, ok, err := l.store.AuthorOf(ctx, yard, d); err != nil {
				ev.Err = err
			} else if ok {
				ev.Authors[d] = a
			}
		}
		l.answer(ev)
	case hub.Append:
		l.answer(hub.Appended{Token: e.Token, Err: l.store.Append(ctx, e.Batch)})
	case hub.Keep:
		l.answer(hub.Kept{Token: e.Token, Err: e.In(ctx, l.store, yard)})
	case hub.Done:
		l.done[e.Token] = e.Err
	case hub.Trouble:
		l.troubles = append(l.troubles, e.Err)
	}
}

// stored gives the entries of a document as the store has them.
func (l *lab) stored(doc string) map[string]*logbook.Entry {
	l.t.Helper()
	changes, _, err := l.mem.Load(context.Background(), yard, doc)
	if err != nil {
		l.t.Fatal(err)
	}
	out := map[string]*logbook.Entry{}
	for _, row := range changes {
		c, err := change.Decode(row.Bytes, change.DefaultLimits)
		if err != nil {
			l.t.Fatal(err)
		}
		for _, op := range c.Ops {
			e, err := logbook.ParseEntry([]byte(op.Value.Str))
			if err != nil {
				l.t.Fatal(err)
			}
			out[op.Key] = e
		}
	}
	return out
}

func (l *lab) held(doc string) int {
	_, held, err := l.mem.Load(context.Background(), yard, doc)
	if err != nil {
		l.t.Fatal(err)
	}
	return len(held)
}

// entryID gives the next id of a moment.
func (l *lab) entryID(ms int64) logbook.EntryID {
	l.ids++
	var random [10]byte
	for i := range 8 {
		random[9-i] = byte(l.ids >> (8 * i))
	}
	return logbook.NewEntryID(ms, random)
}

// peer is a client: a graph and a sync state per document, no store.
type peer struct {
	l      *lab
	author admit.Author
	person string
	sender string
	bound  string // Identity.Sender
	conn   hub.ConnID
	own    bool
	actor  change.Actor
	starts int

	docs map[string]*copyOf
	out  [][]byte

	joined      bool
	closed      *hub.Close
	errors      []string
	unavailable []string // document ids
	lists       []wire.Documents
	refused     []wire.RefusedChange
	rejected    []wire.Rejected
	heard       []wire.Ephemeral
}

type copyOf struct {
	g     *graph.Graph
	sync  graph.Peer
	told  []change.Hash // the hub's heads, as it last said
	heard int           // sync messages
}

func (l *lab) peer(a admit.Author) *peer {
	p := &peer{l: l, author: a, sender: "peer-" + a.Device, own: true, docs: map[string]*copyOf{}}
	if len(a.People) > 0 {
		p.person = a.People[0].ID
	}
	p.restart()
	return p
}

// restart draws a new actor, as every start of an app does.
func (p *peer) restart() {
	p.starts++
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %s %d", p.author.Device, p.sender, p.starts))
	p.actor = change.Actor(sum[:16])
}

func (p *peer) connect() {
	p.l.conns++
	p.conn, p.closed, p.joined, p.out = p.l.conns, nil, false, nil
	p.l.peers[p.conn] = p
	a, _, _ := p.l.mem.AuthorOf(context.Background(), yard, p.author.Device)
	p.l.post(hub.Opened{Conn: p.conn, Identity: hub.Identity{Site: yard, Device: p.author.Device, Author: a, Sender: p.bound}})
	p.send(wire.Join{SenderID: p.sender, Metadata: wire.Metadata{StorageID: "s" + p.sender}, Gatewright: p.own})
	for _, name := range p.names() {
		p.docs[name].sync.Reset()
		p.say(name)
	}
}

func (p *peer) disconnect() {
	if p.conn != 0 {
		p.l.post(hub.Closed{Conn: p.conn})
		delete(p.l.peers, p.conn)
	}
	p.conn, p.out = 0, nil
}

func (p *peer) names() []string {
	var names []string
	for name := range p.docs {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

func (p *peer) send(m wire.Message) {
	p.l.t.Helper()
	b, err := wire.Encode(m)
	if err != nil {
		p.l.t.Fatal(err)
	}
	p.out = append(p.out, b)
}

func documentID(name string) string {
	site, err := logbook.ParseUUID(yard)
	if err != nil {
		panic(err)
	}
	return wire.DocumentID(logbook.DocID(site, name))
}

// open begins to follow a document.
func (p *peer) open(name string) *copyOf {
	d := p.docs[name]
	if d == nil {
		d = &copyOf{g: graph.New()}
		p.docs[name] = d
		p.say(name)
	}
	return d
}

// drop forgets the local copy and finds the document again, which is what a
// phone does after a refusal.
func (p *peer) drop(name string) {
	p.restart()
	delete(p.docs, name)
	p.open(name)
}

func (p *peer) say(name string) {
	if p.conn == 0 {
		return
	}
	d := p.docs[name]
	if m, ok := d.g.Generate(&d.sync); ok {
		p.send(wire.Sync{Request: d.g.Len() == 0, SenderID: p.sender, TargetID: hubID, DocumentID: documentID(name), Data: m.Encode()})
	}
}

// next begins a change on top of the local copy.
func (p *peer) next(name string, ops ...change.Op) *change.Change {
	d := p.open(name)
	heads := d.g.Heads()
	return &change.Change{Actor: p.actor, Seq: d.g.LastSeq(p.actor) + 1, StartOp: d.g.MaxOp(heads) + 1,
		Deps: heads, Time: p.l.now / 1000, Ops: ops}
}

// put writes a change into the local copy and sends it.
func (p *peer) put(name string, c *change.Change) change.Hash {
	p.l.t.Helper()
	if err := change.Encode(c); err != nil {
		p.l.t.Fatal(err)
	}
	p.putNode(name, graph.Node{Hash: c.Hash, Deps: c.Deps, Actor: c.Actor, Seq: c.Seq, MaxOp: c.MaxOp(), Bytes: c.Bytes})
	return c.Hash
}

func (p *peer) putNode(name string, n graph.Node) {
	p.l.t.Helper()
	d := p.open(name)
	if err := d.g.Add(n); err != nil {
		p.l.t.Fatal(err)
	}
	p.say(name)
}

func (p *peer) entry(kind logbook.Kind, more ...func(*logbook.Entry)) logbook.Entry {
	e := logbook.Entry{ID: p.l.entryID(p.l.now), Kind: kind, At: p.l.now, By: p.person, Dev: p.author.Device}
	switch kind {
	case logbook.Tick:
		e.Check = "lens-wipe"
	case logbook.Note:
		e.Text = "found a stone"
	}
	for _, f := range more {
		f(&e)
	}
	return e
}

func (p *peer) set(e logbook.Entry) change.Op {
	p.l.t.Helper()
	raw, err := e.Encode()
	if err != nil {
		p.l.t.Fatal(err)
	}
	return change.Op{Key: string(e.ID), Action: change.Set, Value: change.String(string(raw))}
}

// tick records a tick and gives its id.
func (p *peer) tick(more ...func(*logbook.Entry)) string {
	p.l.t.Helper()
	return p.record(p.entry(logbook.Tick, more...))
}

func (p *peer) record(e logbook.Entry) string {
	p.l.t.Helper()
	name := e.ID.Document()
	p.open(name)
	p.put(name, p.next(name, p.set(e)))
	return string(e.ID)
}

func (p *peer) receive(frame []byte) {
	p.l.t.Helper()
	m, err := wire.Decode(frame)
	if err != nil {
		p.l.t.Fatalf("the hub sent what nobody can read: %v", err)
	}
	switch m := m.(type) {
	case wire.Peer:
		p.joined = true
	case wire.Refusal:
		p.errors = append(p.errors, m.Message)
	case wire.Unavailable:
		p.unavailable = append(p.unavailable, m.DocumentID)
	case wire.Documents:
		p.lists = append(p.lists, m)
	case wire.Refused:
		p.refused = append(p.refused, m.Refused...)
	case wire.Ephemeral:
		if r, ok := wire.ParseRejected(m.Data); ok && m.SenderID == hubID {
			p.rejected = append(p.rejected, r)
		} else {
			p.heard = append(p.heard, m)
		}
	case wire.Sync:
		p.sync(m)
	default:
		p.l.t.Fatalf("the hub sent a %s", m.Type())
	}
}

func (p *peer) sync(m wire.Sync) {
	p.l.t.Helper()
	for name, d := range p.docs {
		if documentID(name) != m.DocumentID {
			continue
		}
		payload, err := wire.DecodeSync(m.Data)
		if err != nil {
			p.l.t.Fatal(err)
		}
		for _, chunk := range payload.Changes {
			c, err := change.Decode(chunk, change.DefaultLimits)
			if err != nil {
				p.l.t.Fatalf("the hub passed on a change nobody can read: %v", err)
			}
			n := graph.Node{Hash: c.Hash, Deps: c.Deps, Actor: c.Actor, Seq: c.Seq, MaxOp: c.MaxOp(), Bytes: c.Bytes}
			if d.g.Add(n) != nil && !d.sync.Hold(n) {
				p.l.t.Fatal("too much is held")
			}
		}
		for {
			ready := d.g.Ready(&d.sync)
			if len(ready) == 0 {
				break
			}
			for _, n := range ready {
				if err := d.g.Add(n); err != nil {
					p.l.t.Fatal(err)
				}
			}
		}
		d.g.Receive(&d.sync, payload)
		d.told, d.heard = payload.Heads, d.heard+1
		p.say(name)
	}
}

// has reports whether the local copy holds an entry.
func (p *peer) has(doc, id string) bool {
	d := p.docs[doc]
	if d == nil {
		return false
	}
	for n := range d.g.InOrder() {
		c, err := change.Decode(n.Bytes, change.DefaultLimits)
		if err != nil {
			continue // one that this peer forged itself
		}
		for _, op := range c.Ops {
			if op.Key == id {
				return true
			}
		}
	}
	return false
}

// safe reports whether the hub has acknowledged all of the local copy.
func (p *peer) safe(doc string) bool {
	d := p.docs[doc]
	for _, h := range d.g.Heads() {
		if !d.g.Reaches(d.told, h) {
			return false
		}
	}
	return true
}

func (p *peer) codes() string {
	var out []string
	for _, r := range p.refused {
		c := r.Code
		if r.Held {
			c += "(held)"
		}
		out = append(out, c)
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

func (l *lab) wantSame(doc string, peers ...*peer) {
	l.t.Helper()
	var first []change.Hash
	for i, p := range peers {
		heads := p.open(doc).g.Heads()
		if i == 0 {
			first = heads
		} else if !slices.Equal(heads, first) {
			l.t.Errorf("%s: %s has heads %v, %s has %v", doc, p.sender, heads, peers[0].sender, first)
		}
	}
	docs, err := l.mem.Documents(context.Background(), yard)
	if err != nil {
		l.t.Fatal(err)
	}
	for _, d := range docs {
		if d.Name == doc && !slices.Equal(d.Heads, first) {
			l.t.Errorf("%s: the store has heads %v, the peers %v", doc, d.Heads, first)
		}
	}
}
