package hub_test

import (
	"bytes"
	"compress/flate"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"slices"
	"strings"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/graph"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

// sealed gives a chunk of any type with the right length and checksum.
func sealed(kind byte, body []byte) []byte {
	rest := binary.AppendUvarint([]byte{kind}, uint64(len(body)))
	rest = append(rest, body...)
	sum := sha256.Sum256(rest)
	return slices.Concat([]byte{0x85, 0x6f, 0x4a, 0x83}, sum[:4], rest)
}

// body takes the contents out of a chunk.
func body(chunk []byte) []byte {
	_, n := binary.Uvarint(chunk[9:])
	return chunk[9+n:]
}

// forge puts a chunk that need not be a change into the peer's copy, as a
// client whose library made it would.
func (p *peer) forge(chunk []byte) {
	p.l.t.Helper()
	heads := p.docs[november].g.Heads()
	h := sha256.Sum256(chunk[min(8, len(chunk)):])
	p.putNode(november, graph.Node{Hash: h, Deps: heads, Actor: p.actor, Seq: p.docs[november].g.LastSeq(p.actor) + 1,
		MaxOp: p.docs[november].g.MaxOp(heads) + 1, Bytes: chunk})
}

func (p *peer) encoded(c *change.Change) []byte {
	p.l.t.Helper()
	if err := change.Encode(c); err != nil {
		p.l.t.Fatal(err)
	}
	return c.Bytes
}

// tampered makes two changes that differ in one byte, and gives the first with
// that byte set to what no encoder would write.
func (p *peer) tampered(to byte, a, b *change.Change) []byte {
	p.l.t.Helper()
	x, y := body(p.encoded(a)), body(p.encoded(b))
	at := -1
	for i := range x {
		if len(x) == len(y) && x[i] != y[i] {
			if at >= 0 {
				p.l.t.Fatal("the two changes differ in more than one byte")
			}
			at = i
		}
	}
	if at < 0 {
		p.l.t.Fatal("the two changes do not differ in one byte")
	}
	x = slices.Clone(x)
	x[at] = to
	return sealed(1, x)
}

type hostile struct {
	name string
	code string
	do   func(p, other *peer)
}

// set1 puts one operation into the November log.
func set1(op func(p, other *peer) change.Op) func(p, other *peer) {
	return func(p, other *peer) { p.put(november, p.next(november, op(p, other))) }
}

func entryOp(kind logbook.Kind, more func(p, other *peer, e *logbook.Entry)) func(p, other *peer) {
	return set1(func(p, other *peer) change.Op {
		return p.set(p.entry(kind, func(e *logbook.Entry) {
			if more != nil {
				more(p, other, e)
			}
		}))
	})
}

// rewritten gives the operation of a tick whose text was changed by hand.
func rewritten(from, to string) func(p, other *peer) {
	return set1(func(p, _ *peer) change.Op {
		op := p.set(p.entry(logbook.Tick))
		if !strings.Contains(op.Value.Str, from) {
			p.l.t.Fatalf("no %q in %s", from, op.Value.Str)
		}
		op.Value.Str = strings.Replace(op.Value.Str, from, to, 1)
		return op
	})
}

func firstOp(p *peer) (change.OpID, string) {
	for n := range p.docs[november].g.InOrder() {
		c, err := change.Decode(n.Bytes, change.DefaultLimits)
		if err != nil {
			p.l.t.Fatal(err)
		}
		return c.Ops[0].ID, c.Ops[0].Key
	}
	p.l.t.Fatal("the copy is empty")
	return change.OpID{}, ""
}

var hostiles = []hostile{
	// What the native library accepts and other clients break on.
	{"gap in seq", admit.CodeSeq, func(p, _ *peer) {
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.Seq += 2
		p.put(november, c)
	}},
	{"seq used twice", admit.CodeSeq, func(p, _ *peer) {
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.Seq--
		p.put(november, c)
	}},
	{"seq that does not build on the one before", admit.CodeSeq, func(p, _ *peer) {
		first, _ := firstOp(p)
		for n := range p.docs[november].g.InOrder() { // the oldest change alone, another actor's
			c := p.next(november, p.set(p.entry(logbook.Tick)))
			c.Deps, c.StartOp = []change.Hash{n.Hash}, first.Counter+1
			p.put(november, c)
			return
		}
	}},
	{"unknown object", admit.CodeObject, set1(func(p, _ *peer) change.Op {
		op := p.set(p.entry(logbook.Tick))
		op.Obj = change.OpID{Counter: 1, Actor: "nobody"}
		return op
	})},
	{"predecessor that is missing", admit.CodePred, set1(func(p, _ *peer) change.Op {
		op := p.set(p.entry(logbook.Tick))
		op.Pred = []change.OpID{{Counter: 1, Actor: "nobody"}}
		return op
	})},
	{"predecessor that is the operation itself", admit.CodePred, func(p, _ *peer) {
		e := p.entry(logbook.Tick)
		with := func(back uint64) *change.Change {
			c := p.next(november, p.set(e))
			c.Ops[0].Pred = []change.OpID{{Counter: c.StartOp - back, Actor: p.actor}}
			return c
		}
		c := with(1)
		p.forge(p.tampered(byte(c.StartOp), c, with(2)))
	}},
	{"delete of what is missing", admit.CodeDelete, set1(func(*peer, *peer) change.Op {
		return change.Op{Key: "x", Action: change.Delete, Pred: []change.OpID{{Counter: 1, Actor: "nobody"}}}
	})},
	{"operation counter near the end", admit.CodeStartOp, func(p, _ *peer) {
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.StartOp = 1<<32 - 10
		p.put(november, c)
	}},
	{"operation counter too high by one", admit.CodeStartOp, func(p, _ *peer) {
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.StartOp++
		p.put(november, c)
	}},
	{"operation counter used before", admit.CodeStartOp, func(p, _ *peer) {
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.StartOp--
		p.put(november, c)
	}},
	// Chunks that are no change in its one form.
	{"a whole document", admit.CodeDecode, func(p, _ *peer) { p.forge(sealed(0, []byte("anything at all"))) }},
	{"a chunk of no known type", admit.CodeDecode, func(p, _ *peer) { p.forge(sealed(9, []byte("anything at all"))) }},
	{"half a change", admit.CodeDecode, func(p, _ *peer) {
		b := body(p.encoded(p.next(november, p.set(p.entry(logbook.Tick)))))
		p.forge(sealed(1, b[:len(b)/2]))
	}},
	{"a deflated bomb", admit.CodeSize, func(p, _ *peer) {
		var b bytes.Buffer
		w, _ := flate.NewWriter(&b, 9)
		_, _ = w.Write(make([]byte, 64<<20))
		_ = w.Close()
		p.forge(sealed(2, b.Bytes()))
	}},
	{"unknown bytes at the end", admit.CodeExtra, func(p, _ *peer) {
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.Extra = []byte{1, 0}
		b := slices.Clone(body(p.encoded(c)))
		b[len(b)-2] = 2
		p.forge(sealed(1, b))
	}},
	// What a log does not hold.
	{"nothing", admit.CodeEntry, func(p, _ *peer) { p.put(november, p.next(november)) }},
	{"a number", admit.CodeEntry, set1(func(p, _ *peer) change.Op {
		return change.Op{Key: string(p.l.entryID(noon)), Action: change.Set, Value: change.Int(1)}
	})},
	{"collaborative text", admit.CodeObject, set1(func(p, _ *peer) change.Op {
		return change.Op{Key: string(p.l.entryID(noon)), Action: change.MakeText}
	})},
	{"a nested map", admit.CodeObject, set1(func(p, _ *peer) change.Op {
		return change.Op{Key: string(p.l.entryID(noon)), Action: change.MakeMap}
	})},
	{"an entry overwritten", admit.CodePred, set1(func(p, _ *peer) change.Op {
		id, key := firstOp(p)
		op := p.set(p.entry(logbook.Tick, func(e *logbook.Entry) { e.ID = logbook.EntryID(key) }))
		op.Pred = []change.OpID{id}
		return op
	})},
	{"an entry overwritten without saying so", admit.CodeTaken, set1(func(p, _ *peer) change.Op {
		_, key := firstOp(p)
		return p.set(p.entry(logbook.Tick, func(e *logbook.Entry) { e.ID = logbook.EntryID(key) }))
	})},
	{"an entry deleted", admit.CodeDelete, set1(func(p, _ *peer) change.Op {
		id, key := firstOp(p)
		return change.Op{Key: key, Action: change.Delete, Pred: []change.OpID{id}}
	})},
	{"an id twice in one change", admit.CodeTaken, func(p, _ *peer) {
		op := p.set(p.entry(logbook.Tick))
		p.put(november, p.next(november, op, op))
	}},
	{"a key that is no id", admit.CodeKey, set1(func(p, _ *peer) change.Op {
		op := p.set(p.entry(logbook.Tick))
		op.Key = "lens-wipe"
		return op
	})},
	{"a key of great length", admit.CodeKey, set1(func(p, _ *peer) change.Op {
		op := p.set(p.entry(logbook.Tick))
		op.Key = strings.Repeat("ü", 60_000)
		return op
	})},
	{"a key that is another id", admit.CodeKey, set1(func(p, _ *peer) change.Op {
		op := p.set(p.entry(logbook.Tick))
		op.Key = string(p.l.entryID(noon))
		return op
	})},
	{"another month's entry", admit.CodeMonth, entryOp(logbook.Tick, func(p, _ *peer, e *logbook.Entry) {
		e.ID = p.l.entryID(noon + 40*24*3600_000)
	})},
	{"no entry", admit.CodeEntry, rewritten(`"check":"lens-wipe"`, `"check":7`)},
	{"not canonical", admit.CodeEntry, rewritten(`,`, `, `)},
	{"no JSON", admit.CodeEntry, rewritten(`{`, `{{`)},
	{"a kind that is unknown", admit.CodeKind, rewritten(`"kind":"tick"`, `"kind":"tock"`)},
	{"too long", admit.CodeEntry, rewritten(`"v":1`, `"v":1,"zz":"`+strings.Repeat("z", 9000)+`"`)},
	{"too many", admit.CodeSize, func(p, _ *peer) {
		var ops []change.Op
		for range 90 {
			ops = append(ops, p.set(p.entry(logbook.Note, func(e *logbook.Entry) { e.Text = strings.Repeat("鐘", 2000) })))
		}
		p.put(november, p.next(november, ops...))
	}},
	// What its author may not.
	{"a kind that is the server's", admit.CodeKind, entryOp(logbook.Clock, func(p, _ *peer, e *logbook.Entry) {
		e.Device, e.Offset = p.author.Device, 5
	})},
	{"a kind that is the manager's", admit.CodeRights, entryOp(logbook.Dismiss, func(_, _ *peer, e *logbook.Entry) {
		e.Flag, e.Why = "overdue/lens-wipe", "no need"
	})},
	{"somebody who is not on the device", admit.CodeBy, entryOp(logbook.Tick, func(_, other *peer, e *logbook.Entry) {
		e.By = other.person
	})},
	{"a time before the grant", admit.CodeBy, entryOp(logbook.Tick, func(p, _ *peer, e *logbook.Entry) {
		p.l.mustGrant(p, begun, noon-1000)
	})},
	{"entries of two devices", admit.CodeDev, func(p, other *peer) {
		p.put(november, p.next(november, p.set(p.entry(logbook.Tick)), p.set(other.entry(logbook.Tick))))
	}},
	{"another device's actor", admit.CodeActor, func(p, other *peer) {
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.Actor, c.Seq = other.actor, p.docs[november].g.LastSeq(other.actor)+1
		p.put(november, c)
	}},
	{"somebody else's entry voided", admit.CodeRights, entryOp(logbook.Void, func(p, other *peer, e *logbook.Entry) {
		for id, was := range p.l.stored(november) {
			if was.By == other.person {
				e.Of = logbook.EntryID(id)
			}
		}
	})},
	{"somebody else's entry replaced", admit.CodeRights, entryOp(logbook.Tick, func(p, other *peer, e *logbook.Entry) {
		for id, was := range p.l.stored(november) {
			if was.By == other.person {
				e.Replaces = logbook.EntryID(id)
			}
		}
	})},
	{"an unknown entry voided", admit.CodeUnknownEntry, entryOp(logbook.Void, func(p, _ *peer, e *logbook.Entry) {
		e.Of = p.l.entryID(noon - 3600_000)
	})},
}

// mustGrant gives the peer's person other limits of time.
func (l *lab) mustGrant(p *peer, from, until int64) {
	a := p.author
	a.People = []admit.Person{{ID: p.person, Role: a.People[0].Role, From: from, Until: until}}
	if err := l.mem.PutDevice(yard, a); err != nil {
		l.t.Fatal(err)
	}
	// A connection knows the grants of its beginning; ending one closes it.
	l.post(hub.Drop{Person: p.person})
	l.settle(4)
	p.connect()
	l.settle(20)
}

// TestHostile: whatever a peer brings, the others do not notice, it is told why
// in a bounded number of messages, and the rest of its work goes through.
func TestHostile(t *testing.T) {
	for _, own := range []bool{true, false} {
		for _, h := range hostiles {
			name := h.name
			if !own {
				name += ", stock client"
			}
			t.Run(name, func(t *testing.T) { h.run(t, own) })
		}
	}
}

// run plays one hostile change: own says whether the peer understands our own
// frames.
func (h hostile) run(t *testing.T, own bool) {
	const frames = 24 // for one hostile change, in both directions and over all peers
	l := newLab(t)
	p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	p.own = own
	other.tick()
	other.connect()
	l.settle(20)
	p.connect()
	p.open(november)
	l.settle(20)
	for range 2 {
		p.tick()
		l.settle(20)
	}
	l.wantSame(november, p, other)
	before, heads := len(l.stored(november)), other.docs[november].g.Heads()
	heard := other.docs[november].heard

	h.do(p, other)
	l.settle(frames)
	if len(p.refused) != 1 && own {
		t.Fatalf("told of %v", p.refused)
	}
	if own && (p.refused[0].Code != h.code || p.refused[0].Held || p.refused[0].Reason == "") {
		t.Errorf("told %+v, want code %s", p.refused[0], h.code)
	}
	if !own && (len(p.rejected) != 1 || p.rejected[0].Code != h.code || len(p.rejected[0].Hashes) != 1) {
		t.Errorf("told %+v, want code %s", p.rejected, h.code)
	}
	q := l.mem.Quarantined(yard)
	if len(q) != 1 || q[0].Code != h.code || q[0].Device != p.author.Device || len(q[0].Bytes) == 0 {
		t.Errorf("kept %d in quarantine", len(q))
	}

	// Its further work in the same document builds on the refused change.
	p.tick()
	l.settle(frames)
	if own && p.codes() != strings.Join(sortedCodes(h.code, admit.CodeDepends), " ") {
		t.Errorf("codes %q", p.codes())
	}
	if n := len(l.mem.Quarantined(yard)); n != 1 {
		t.Errorf("%d in quarantine: what only depends is not kept", n)
	}
	if n := len(l.stored(november)); n != before {
		t.Fatalf("the store has %d entries, had %d", n, before)
	}
	if other.docs[november].heard != heard || !slices.Equal(other.docs[november].g.Heads(), heads) || other.closed != nil {
		t.Error("the other peer noticed")
	}
	if p.closed != nil {
		t.Fatalf("closed: %+v", *p.closed)
	}
	// What others write still comes.
	seen := other.tick()
	l.settle(frames)
	if !p.has(november, seen) {
		t.Error("the peer gets no more of what others write")
	}
	// Its other documents go on.
	if h.name != "a time before the grant" {
		id := p.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 20*24*3600_000) })
		l.settle(frames)
		if l.stored(october)[id] == nil {
			t.Error("another document is stopped as well")
		}
	} else {
		l.mustGrant(p, begun, 0)
	}
	// And so does this one, begun anew.
	told := len(p.refused) + len(p.rejected)
	p.drop(november)
	l.settle(frames)
	id := p.tick()
	l.settle(frames)
	if l.stored(november)[id] == nil || !other.has(november, id) {
		t.Error("fresh work does not go through")
	}
	l.wantSame(november, p, other)
	if n := len(p.refused) + len(p.rejected); n != told {
		t.Errorf("told again: %d, had %d", n, told)
	}
	if len(l.troubles) > 0 {
		t.Error(l.troubles)
	}
}

func sortedCodes(codes ...string) []string {
	slices.Sort(codes)
	return codes
}

// TestHostileComesAgain: a peer that reconnects with the refused change in its
// copy is told once more and nothing else happens, also by a hub that has
// forgotten it.
func TestHostileComesAgain(t *testing.T) {
	l := newLab(t)
	p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	other.connect()
	other.tick()
	p.connect()
	p.record(p.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no need" }))
	for range 50 {
		p.tick()
	}
	l.settle(200) // each of the 51 changes was announced while none had been asked for
	for round := range 4 {
		if round == 2 {
			l.restart(0)
			other.connect()
		} else {
			p.disconnect()
		}
		p.refused = nil
		p.connect()
		l.settle(24)
		if len(p.refused) != 51 {
			t.Errorf("round %d: told of %d", round, len(p.refused))
		}
	}
	if n := len(l.mem.Quarantined(yard)); n != 1 {
		t.Errorf("%d rows in quarantine", n)
	}
	if n := len(l.stored(november)); n != 1 {
		t.Errorf("%d entries", n)
	}
}

// TestGoodWithBad: a message of several kinds of change is taken apart.
func TestGoodWithBad(t *testing.T) {
	l := newLab(t)
	p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	other.connect()
	other.open(november)
	l.settle(10)
	// Offline: a good change, a bad one beside it (not on top), and one on both.
	good := p.tick()
	base := p.docs[november].g.Heads()
	p.restart()
	bad := p.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no need" })
	p.record(bad)
	p.restart()
	c := p.next(november, p.set(p.entry(logbook.Tick)))
	c.Deps = base
	c.StartOp = p.docs[november].g.MaxOp(base) + 1
	p.put(november, c)
	beside := c.Ops[0].Key
	p.restart()
	both := p.tick()
	p.connect()
	l.settle(24)
	have := l.stored(november)
	if have[good] == nil || have[beside] == nil || have[string(bad.ID)] != nil || have[both] != nil {
		t.Errorf("stored %v", have)
	}
	if !other.has(november, good) || !other.has(november, beside) {
		t.Error("the good ones were not passed on")
	}
	if p.codes() != "depends rights" {
		t.Errorf("codes %q", p.codes())
	}
}

// TestMissingDependency: a change whose ancestors the peer does not give waits,
// and asking for them ends.
func TestMissingDependency(t *testing.T) {
	l := newLab(t)
	p := l.peer(l.enrol(1, "crew"))
	p.connect()
	p.tick()
	l.settle(20)
	c := p.next(november, p.set(p.entry(logbook.Tick)))
	c.Deps = append(c.Deps, sha256.Sum256([]byte("nothing has this name")))
	if err := change.Encode(c); err != nil {
		t.Fatal(err)
	}
	m := wire.SyncMessage{Heads: []change.Hash{c.Hash}, Changes: [][]byte{c.Bytes}}
	for range 10 {
		p.send(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(november), Data: m.Encode()})
	}
	l.settle(60)
	if len(l.stored(november)) != 1 || p.closed != nil {
		t.Error("taken, or the connection closed")
	}
	id := p.tick()
	l.settle(20)
	if l.stored(november)[id] == nil {
		t.Error("later work is stopped")
	}
}

// TestOrphansOfARefusedChange: what came before the change it depends on, and
// that one is refused.
func TestOrphansOfARefusedChange(t *testing.T) {
	l := newLab(t)
	p := l.peer(l.enrol(1, "crew"))
	bad := p.next(november, p.set(p.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no" })))
	p.put(november, bad)
	child := p.next(november, p.set(p.entry(logbook.Tick)))
	p.put(november, child)
	delete(p.docs, november)
	p.connect()
	l.settle(10)
	for _, c := range []*change.Change{child, bad} {
		m := wire.SyncMessage{Heads: []change.Hash{child.Hash}, Changes: [][]byte{c.Bytes}}
		p.send(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(november), Data: m.Encode()})
		l.settle(10)
	}
	if p.codes() != "depends rights" {
		t.Errorf("codes %q", p.codes())
	}
}

// TestFuzzedFrames: no bytes make the machine panic, and whatever closes one
// connection leaves the other.
func TestFuzzedFrames(t *testing.T) {
	l := newLab(t)
	p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	other.connect()
	other.tick()
	p.connect()
	p.tick()
	l.settle(40)
	c := p.next(november, p.set(p.entry(logbook.Tick)))
	if err := change.Encode(c); err != nil {
		t.Fatal(err)
	}
	m := wire.SyncMessage{Heads: []change.Hash{c.Hash}, Have: []wire.Have{{Bloom: wire.NewBloom([]change.Hash{c.Hash})}}, Changes: [][]byte{c.Bytes}}
	whole, err := wire.Encode(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(november), Data: m.Encode()})
	if err != nil {
		t.Fatal(err)
	}
	seed := sha256.Sum256([]byte("frames"))
	for i := range 3000 {
		if p.conn == 0 {
			p.connect()
			l.settle(20)
		}
		b := slices.Clone(whole)
		at := int(binary.LittleEndian.Uint32(seed[:])) % len(b)
		b[at] ^= seed[4] | 1
		if seed[5] < 40 {
			b = b[:at]
		}
		l.post(hub.Frame{Conn: p.conn, Bytes: b})
		l.now += 10
		l.settle(40)
		seed = sha256.Sum256(seed[:])
		if i%500 == 0 {
			l.post(hub.Tick{})
		}
	}
	if other.closed != nil {
		t.Error("another peer was closed")
	}
	id := other.tick()
	l.settle(30)
	if l.stored(november)[id] == nil {
		t.Error("the other peer's work is stopped")
	}
	docs, err := l.mem.Documents(context.Background(), yard)
	if err != nil || len(docs) != 1 {
		t.Errorf("%v, %v", docs, err)
	}
}

// TestTooManyRefusals: a device cannot fill the quarantine, and what it may
// write goes through when it comes again.
func TestTooManyRefusals(t *testing.T) {
	l := newLab(t)
	p := l.peer(l.enrol(1, "crew"))
	p.connect()
	p.open(november)
	l.settle(10)
	for range 3 * hub.MaxRefusals {
		if p.conn == 0 {
			p.connect()
			l.settle(40)
		}
		c := p.next(november, p.set(p.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no" })))
		c.Actor = change.Actor(p.l.entryID(noon)) // beside the others, not on top
		if err := change.Encode(c); err != nil {
			t.Fatal(err)
		}
		m := wire.SyncMessage{Heads: []change.Hash{c.Hash}, Changes: [][]byte{c.Bytes}}
		p.send(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(november), Data: m.Encode()})
		l.now += 2
		l.settle(40)
		if n := len(p.refused); p.closed != nil && n < hub.MaxRefusals {
			t.Fatalf("closed after %d", n)
		}
	}
	if n := len(l.mem.Quarantined(yard)); n < hub.MaxRefusals || n > hub.MaxRefusals+10 {
		t.Errorf("%d in quarantine", n)
	}
	if p.conn == 0 {
		p.connect()
	}
	l.settle(40)
	id := p.tick()
	l.settle(40)
	if l.stored(november)[id] == nil {
		t.Error("the rest of its work does not go through")
	}
}

// TestDamagedChunk: a chunk with a checksum that does not match is refused and
// kept, and the change that it was is as welcome as before: its hash is that
// of good bytes, and somebody else may have damaged them.
func TestDamagedChunk(t *testing.T) {
	for _, at := range []int{0, 5} { // in the magic bytes, in the checksum
		l := newLab(t)
		p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
		p.own, other.own = true, true
		p.connect()
		p.tick()
		other.connect()
		other.open(november)
		l.settle(40)
		p.disconnect()
		id := p.tick()
		good := p.docs[november].g
		heads := good.Heads()
		node, _ := good.Node(heads[0])
		bad := slices.Clone(node.Bytes)
		bad[at] ^= 1
		other.send(wire.Sync{SenderID: other.sender, TargetID: hubID, DocumentID: documentID(november),
			Data: wire.SyncMessage{Heads: heads, Changes: [][]byte{bad}}.Encode()})
		l.settle(40)
		if len(other.refused) != 1 || other.refused[0].Code != admit.CodeDecode || len(l.mem.Quarantined(yard)) != 1 {
			t.Fatalf("told %+v, %d in quarantine", other.refused, len(l.mem.Quarantined(yard)))
		}
		p.connect()
		p.open(november)
		l.settle(40)
		if len(p.refused) > 0 || l.stored(november)[id] == nil || !p.safe(november) {
			t.Errorf("byte %d: the good change was not taken: %+v", at, p.refused)
		}
	}
}
