package hub_test

import (
	"strings"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/graph"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

// take copies a document from one peer to another, as a phone that had it
// before the server lost it, or a box on the farm's network.
func (p *peer) take(doc string, from *peer) {
	p.l.t.Helper()
	d := p.docs[doc]
	if d == nil {
		d = &copyOf{g: graph.New()}
		p.docs[doc] = d
	}
	for n := range from.docs[doc].g.InOrder() {
		if err := d.g.Add(n); err != nil {
			p.l.t.Fatal(err)
		}
	}
}

func marks(l *lab) map[logbook.EntryID]*logbook.Entry {
	out := map[logbook.EntryID]*logbook.Entry{}
	for _, e := range l.stored(november) {
		if e.Kind == logbook.Admitted {
			out[e.Of] = e
		}
	}
	return out
}

// TestForeignAuthor: a change of another device is held, and let in by its
// author, by a device that may relay, or while the restore window is open.
func TestForeignAuthor(t *testing.T) {
	type ways struct {
		name string
		how  string
		via  string
		let  func(l *lab, author, carrier *peer)
	}
	for _, w := range []ways{
		{"author", "relayed", device(2), func(l *lab, author, _ *peer) { author.connect() }},
		{"relay", "relayed", device(3), func(l *lab, _, carrier *peer) {
			box := l.peer(l.enrol(3, "viewer", func(a *admit.Author) { a.Relay = true }))
			box.take(november, carrier)
			box.connect()
		}},
		{"restore window", "restored", device(2), func(l *lab, _, _ *peer) { l.post(hub.Restore{Until: noon + 1}) }},
		{"restore window after a restart", "restored", device(2), func(l *lab, _, _ *peer) {
			l.restart(noon + 1)
			again := l.peer(l.enrol(4, "crew"))
			again.connect()
			again.open(november)
		}},
	} {
		t.Run(w.name, func(t *testing.T) {
			l := newLab(t)
			author, carrier := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
			id := author.tick()
			carrier.take(november, author)
			second := carrier.tick() // its own, on top of the foreign one
			carrier.connect()
			watcher := l.peer(l.enrol(5, "crew"))
			watcher.connect()
			watcher.open(november)
			l.settle(40)
			if carrier.codes() != "depends(held) dev(held)" {
				t.Fatalf("codes %q", carrier.codes())
			}
			if len(l.stored(november)) != 0 || l.held(november) != 2 || len(l.mem.Quarantined(yard)) != 0 {
				t.Fatal("not held")
			}
			if watcher.docs[november].g.Len() != 0 {
				t.Error("what is held was passed on")
			}
			w.let(l, author, carrier)
			l.settle(60)
			have := l.stored(november)
			if have[id] == nil || have[second] == nil || l.held(november) != 0 {
				t.Fatalf("stored %d, held %d", len(have), l.held(november))
			}
			m := marks(l)
			mark := m[logbook.EntryID(id)]
			if len(m) != 1 || mark == nil || mark.How != w.how || mark.Via != w.via || mark.By != logbook.Server || mark.ID <= mark.Of {
				t.Errorf("marked %+v", m)
			}
			if watcher.conn != 0 && !watcher.has(november, id) {
				t.Error("not passed on")
			}
			if carrier.conn != 0 {
				l.wantSame(november, carrier)
				if !carrier.safe(november) {
					t.Error("not acknowledged")
				}
			}
			next := carrier.tick()
			if carrier.conn == 0 {
				carrier.connect()
			}
			l.settle(40)
			if l.stored(november)[next] == nil {
				t.Error("later work does not go through")
			}
			if len(marks(l)) != 1 {
				t.Error("marked again")
			}
		})
	}
}

// TestAuthorWithoutTheRightWaits: what an author may not write is refused when
// what it builds on has come, though it was held until then; and the author is
// told so, now and when it comes again.
func TestAuthorWithoutTheRightWaits(t *testing.T) {
	l := newLab(t)
	other, author := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	other.tick()
	author.take(november, other)
	bad := author.record(author.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no need" }))
	good := author.tick()
	author.connect()
	l.settle(40)
	if author.codes() != "depends(held) depends(held) dev(held)" || l.held(november) != 3 {
		t.Fatalf("codes %q, %d held", author.codes(), l.held(november))
	}
	other.connect()
	l.settle(40)
	if l.held(november) > 1 { // the good one's author is to record it anew
		t.Errorf("%d held", l.held(november))
	}
	if q := l.mem.Quarantined(yard); len(q) != 1 || q[0].Code != admit.CodeRights || q[0].Device != device(2) {
		t.Errorf("quarantined %+v", q)
	}
	author.tick()
	l.settle(40)
	if !strings.HasSuffix(author.codes(), " rights") {
		t.Errorf("told %q", author.codes())
	}
	author.disconnect()
	author.connect()
	l.settle(40)
	if have := l.stored(november); have[bad] != nil || have[good] != nil {
		t.Error("what builds on it was taken")
	}
	author.drop(november)
	author.open(november)
	l.settle(40)
	author.tick()
	l.settle(40)
	l.wantSame(november, author, other)
}

// TestNothingLeftToWaitFor: a change whose entries are in the log already is not
// held for what it builds on.
func TestNothingLeftToWaitFor(t *testing.T) {
	l := newLab(t)
	other, author, carrier := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew")), l.peer(l.enrol(3, "crew"))
	other.tick()
	author.take(november, other)
	e := author.entry(logbook.Tick)
	author.put(november, author.next(november, author.set(e)))
	carrier.take(november, author)
	author.drop(november)
	author.connect()
	author.open(november)
	l.settle(40)
	author.put(november, author.next(november, author.set(e))) // recorded anew
	author.say(november)
	l.settle(40)
	if l.stored(november)[string(e.ID)] == nil {
		t.Fatal("not stored")
	}
	carrier.connect()
	l.settle(40)
	if carrier.codes() != "dev(held) taken" || l.held(november) != 1 {
		t.Errorf("codes %q, %d held", carrier.codes(), l.held(november))
	}
}

// TestForeignAuthorWithoutTheRight: neither relay nor window let in what the
// author could not write.
func TestForeignAuthorWithoutTheRight(t *testing.T) {
	dismiss := func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no need" }
	for name, let := range map[string]func(l *lab, carrier *peer){
		"relay": func(l *lab, carrier *peer) {
			a := carrier.author
			a.Relay = true
			if err := l.mem.PutDevice(yard, a); err != nil {
				t.Fatal(err)
			}
		},
		"window": func(l *lab, _ *peer) { l.restart(noon + 1) },
	} {
		t.Run(name, func(t *testing.T) {
			l := newLab(t)
			author, carrier := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
			author.record(author.entry(logbook.Dismiss, dismiss))
			carrier.take(november, author)
			let(l, carrier)
			carrier.connect()
			l.settle(40)
			if carrier.codes() != "rights(held)" || len(l.stored(november)) != 0 {
				t.Errorf("codes %q, %d stored", carrier.codes(), len(l.stored(november)))
			}
		})
	}
}

// TestRestoredServer: the server lost everything, its devices too; in the
// window the phones bring it back, the server's own entries with it.
func TestRestoredServer(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	a.connect()
	b.connect()
	for range 5 {
		a.tick()
		b.tick()
	}
	raw, err := logbook.Entry{ID: l.entryID(noon), Kind: logbook.Clock, At: noon, By: logbook.Server, Dev: logbook.Server,
		Device: device(1), Offset: 200_000}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	accepted, err := b.entry(logbook.Note).Encode() // another author's entry, written by the server
	if err != nil {
		t.Fatal(err)
	}
	l.post(hub.Write{Token: 1, Doc: november, Entries: [][]byte{accepted}})
	l.post(hub.Write{Token: 2, Doc: november, Entries: [][]byte{raw}})
	l.settle(200)
	a.tick()
	l.settle(40)
	l.wantSame(november, a, b)
	was := a.docs[november].g.Len()

	lost := newLab(t)
	lost.enrol(2, "crew")
	lost.ids = l.ids
	moved := lost.peer(b.author)
	moved.docs, moved.sender = b.docs, b.sender
	moved.connect()
	lost.settle(40)
	if n := len(lost.stored(november)); n != 0 {
		// What b wrote first, on top of nothing of others, is its own.
		for _, e := range lost.stored(november) {
			if e.Dev != device(2) {
				t.Errorf("%s of %s came in unconfirmed", e.ID, e.Dev)
			}
		}
	}
	lost.post(hub.Restore{Until: noon + 1})
	lost.settle(60)
	if got := moved.docs[november].g.Len(); got < was || lost.held(november) != 0 {
		t.Errorf("%d changes and %d held, had %d", got, lost.held(november), was)
	}
	lost.wantSame(november, moved)
	if n := len(lost.stored(november)); n < 13 {
		t.Errorf("%d entries", n)
	}
	for of, m := range marks(lost) {
		if m.How != "restored" || lost.stored(november)[string(of)].Dev == device(2) && lost.stored(november)[string(of)].Kind != logbook.Note {
			t.Errorf("mark %+v", m)
		}
	}
}

// TestRevokedAuthor: what a device wrote before it was revoked may still come
// by way of another; what it writes itself does not.
func TestRevokedAuthor(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	box := l.peer(l.enrol(2, "viewer", func(a *admit.Author) { a.Relay = true }))
	early := a.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 2000) })
	late := a.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 500) })
	box.take(november, a)
	delete(a.docs, november)
	a.restart()
	a.connect()
	l.settle(10) // the connection is older than the revocation
	l.mem.Revoke(yard, device(1), noon-1000)
	own := a.tick()
	l.settle(40)
	if a.closed == nil || a.closed.Code != hub.CloseRevoked {
		t.Errorf("closed %+v", a.closed)
	}
	if q := l.mem.Quarantined(yard); len(q) != 1 || q[0].Code != admit.CodeRevoked || len(q[0].Entries) != 1 {
		t.Errorf("%d in quarantine", len(q))
	}
	box.connect()
	l.settle(40)
	have := l.stored(november)
	if have[own] != nil {
		t.Error("a revoked device wrote")
	}
	if have[early] == nil || have[late] != nil {
		t.Errorf("early %v, late %v", have[early] != nil, have[late] != nil)
	}
	if box.codes() != "dev(held)" {
		t.Errorf("codes %q", box.codes())
	}
}

// TestEndedGrant: entries from before the end are taken, later ones are not.
func TestEndedGrant(t *testing.T) {
	l := newLab(t)
	p := l.peer(l.enrol(1, "crew", func(a *admit.Author) { a.People[0].Until = noon - 1000 }))
	early := p.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 1001) })
	late := p.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 1000) })
	p.connect()
	l.settle(30)
	have := l.stored(november)
	if have[early] == nil || have[late] != nil || p.codes() != "by" {
		t.Errorf("early %v, late %v, codes %q", have[early] != nil, have[late] != nil, p.codes())
	}
}

// TestNewPersonOnAnOldConnection: who is enrolled on the device while it is
// connected may write at once.
func TestNewPersonOnAnOldConnection(t *testing.T) {
	l := newLab(t)
	p := l.peer(l.enrol(1, "crew"))
	p.connect()
	p.open(november)
	l.settle(10)
	l.enrol(1, "crew", func(a *admit.Author) {
		a.People = append(a.People, admit.Person{ID: person(7), Role: "crew", From: begun})
	})
	id := p.tick(func(e *logbook.Entry) { e.By = person(7) })
	l.settle(20)
	if l.stored(november)[id] == nil {
		t.Errorf("codes %q", p.codes())
	}
}

// TestVoid: one's own entry in this month or another, a manager's right over
// all, and a void that travels faster than what it voids.
func TestVoid(t *testing.T) {
	l := newLab(t)
	crew, boss := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "manager"))
	of := func(id string) func(*logbook.Entry) {
		return func(e *logbook.Entry) { e.Of = logbook.EntryID(id) }
	}
	inOctober := func(e *logbook.Entry) { e.ID = l.entryID(noon - 20*24*3600_000) }
	crew.connect()
	mine, old, also := crew.tick(), crew.tick(inOctober), crew.tick(inOctober)
	l.settle(60)
	l.restart(0) // October is not in memory when the void comes
	crew.connect()
	one := crew.record(crew.entry(logbook.Void, of(mine)))
	two := crew.record(crew.entry(logbook.Void, of(old)))
	l.settle(60)
	boss.connect()
	boss.open(november)
	l.settle(40)
	three := boss.record(boss.entry(logbook.Void, of(also)))
	l.settle(60)
	have := l.stored(november)
	if have[one] == nil || have[two] == nil || have[three] == nil {
		t.Errorf("own %v, own of October %v, manager's %v; %q %q", have[one] != nil, have[two] != nil, have[three] != nil,
			crew.codes(), boss.codes())
	}

	// Offline over the turn of the month: November arrives first.
	away := l.peer(l.enrol(3, "crew"))
	last := away.tick(inOctober)
	void := away.record(away.entry(logbook.Void, of(last)))
	parted := away.docs[october]
	delete(away.docs, october)
	away.connect()
	l.settle(40)
	if away.codes() != "unknown-entry(held)" {
		t.Errorf("codes %q", away.codes())
	}
	away.docs[october] = parted
	away.say(october)
	l.settle(40)
	if l.stored(november)[void] == nil || l.held(november) != 0 {
		t.Error("the void waits for ever")
	}
	if len(marks(l)) != 0 {
		t.Error("marked as brought by another")
	}

	// Somebody else's of another month.
	bad := away.record(away.entry(logbook.Void, of(also)))
	l.settle(40)
	if l.stored(november)[bad] != nil || away.codes() != "rights unknown-entry(held)" {
		t.Errorf("codes %q", away.codes())
	}
}

// TestActorOfTheServer: nobody writes in the server's name.
func TestActorOfTheServer(t *testing.T) {
	l := newLab(t)
	raw, err := logbook.Entry{ID: l.entryID(noon), Kind: logbook.Clock, At: noon, By: logbook.Server, Dev: logbook.Server,
		Device: device(1), Offset: 200_000}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	l.post(hub.Write{Token: 1, Doc: november, Entries: [][]byte{raw}})
	p := l.peer(l.enrol(1, "manager"))
	p.connect()
	p.open(november)
	l.settle(20)
	c := p.next(november, p.set(p.entry(logbook.Tick)))
	c.Actor, c.Seq = "server actor 0001", 2
	p.put(november, c)
	l.settle(20)
	if p.codes() != "actor" {
		t.Errorf("codes %q", p.codes())
	}
	p.refused = nil
	p.drop(november)
	l.settle(20)
	c = p.next(november, p.set(p.entry(logbook.Tick, func(e *logbook.Entry) { e.By, e.Dev = logbook.Server, logbook.Server })))
	c.Message = admit.ServerMessage
	p.put(november, c)
	l.settle(20)
	if p.codes() != "dev(held)" || len(l.stored(november)) != 1 {
		t.Errorf("codes %q", p.codes())
	}
}

// TestServersLostCopy: an entry that the server had written for its author, and
// has lost with a backup, waits for nobody: its author is told to record it
// anew, and everybody else that it is held.
func TestServersLostCopy(t *testing.T) {
	l := newLab(t)
	author, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	e := author.entry(logbook.Tick)
	c := author.next(november, author.set(e))
	c.Message = admit.ServerMessage
	if err := change.Encode(c); err != nil {
		t.Fatal(err)
	}
	author.put(november, c)
	other.take(november, author)
	for _, p := range []*peer{other, author} {
		p.connect()
		l.settle(40)
	}
	if other.codes() != "dev(held)" || author.codes() != "depends(held)" {
		t.Errorf("codes %q and %q", other.codes(), author.codes())
	}
	if l.held(november) != 1 {
		t.Errorf("%d held", l.held(november))
	}
}

// TestSyncStateWithBlockedHeads: the peer whose heads are not taken is asked
// for nothing and sent nothing twice, however often it says the same.
func TestSyncStateWithBlockedHeads(t *testing.T) {
	l := newLab(t)
	author, carrier := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	author.tick()
	carrier.take(november, author)
	carrier.connect()
	l.settle(20)
	before := l.frames
	for range 20 {
		m := wire.SyncMessage{Heads: carrier.docs[november].g.Heads(), Have: []wire.Have{{}}}
		carrier.send(wire.Sync{SenderID: carrier.sender, TargetID: hubID, DocumentID: documentID(november), Data: m.Encode()})
	}
	l.settle(60)
	if n := l.frames - before; n > 25 {
		t.Errorf("20 messages that say nothing new made %d frames", n)
	}
	var none []change.Hash
	if got := carrier.docs[november].told; len(got) != len(none) {
		t.Errorf("told heads %v", got)
	}
}

// TestRelayRightGivenLater: what is held is let in when the device that
// brought it turns out to be trusted.
func TestRelayRightGivenLater(t *testing.T) {
	l := newLab(t)
	author, carrier := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	id := author.tick()
	carrier.take(november, author)
	carrier.connect()
	l.settle(20)
	if l.held(november) != 1 {
		t.Fatal("not held")
	}
	if err := l.mem.PutDevice(yard, relay(carrier.author)); err != nil {
		t.Fatal(err)
	}
	l.restart(0)
	other := l.peer(l.enrol(3, "crew"))
	other.connect()
	other.open(november)
	l.settle(40)
	if !other.has(november, id) || l.held(november) != 0 {
		t.Error("still held")
	}
}

// TestMarkOfAnEntryFromTheFuture: a mark is greater than what it is about,
// also when the author's clock was ahead of the server's.
func TestMarkOfAnEntryFromTheFuture(t *testing.T) {
	l := newLab(t)
	author := l.peer(l.enrol(1, "crew"))
	box := l.peer(relay(l.enrol(2, "viewer")))
	if err := l.mem.PutDevice(yard, box.author); err != nil {
		t.Fatal(err)
	}
	for range 20 {
		e := author.entry(logbook.Tick)
		e.ID = logbook.NewEntryID(noon+3600_000, [10]byte{255, byte(e.ID[25]), byte(e.ID[24])})
		author.record(e)
	}
	box.take(november, author)
	box.connect()
	l.settle(40)
	m := marks(l)
	if len(m) != 20 || len(l.troubles) > 0 {
		t.Errorf("%d marks, troubles %v", len(m), l.troubles)
	}
	for of, e := range m {
		if e.ID <= of {
			t.Errorf("%s is about the later %s", e.ID, of)
		}
	}
}

// TestMarkIsStoredWithItsEntry: a crash right after a foreign change was stored
// cannot lose the mark that says how it came in: both are one batch.
func TestMarkIsStoredWithItsEntry(t *testing.T) {
	l := newLab(t)
	author := l.peer(l.enrol(1, "crew"))
	of := author.tick()
	box := l.peer(l.enrol(3, "viewer", func(a *admit.Author) { a.Relay = true }))
	box.take(november, author)
	l.park = func(ev hub.Event) bool { _, is := ev.(hub.Appended); return is }
	box.connect()
	l.settle(40)
	if len(l.parked) != 1 {
		t.Fatalf("%d answers of the store are under way, want 1", len(l.parked))
	}
	l.parked = nil // the server crashes here
	if mark := marks(l)[logbook.EntryID(of)]; l.stored(november)[of] == nil || mark == nil || mark.How != admit.Relayed {
		t.Errorf("the entry is stored: %v, its mark: %v", l.stored(november)[of] != nil, mark)
	}
}

// TestAuthorAndCarrierAtOnce: a change that the server lost comes by another phone while its author's message, which
// names it, waits in the same line. The author is not told that its own change waits for its author.
func TestAuthorAndCarrierAtOnce(t *testing.T) {
	for _, authorFirst := range []bool{false, true} {
		l := newLab(t)
		author, carrier, third := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew")), l.peer(l.enrol(3, "crew"))
		id := author.tick()
		third.connect()
		third.tick()
		carrier.connect()
		carrier.open(november)
		l.settle(40)
		l.park = func(ev hub.Event) bool { _, is := ev.(hub.Appended); return is }
		third.tick()
		l.settle(20)
		bring := func() {
			carrier.take(november, author)
			carrier.say(november)
			l.settle(20)
		}
		if !authorFirst {
			bring()
		}
		author.connect()
		l.settle(20)
		if authorFirst {
			bring()
		}
		l.park = nil
		l.events = append(l.events, l.parked...)
		l.settle(60)
		if author.codes() != "" {
			t.Errorf("author first %v: the author was told %q", authorFirst, author.codes())
		}
		if l.stored(november)[id] == nil || l.held(november) != 0 || !author.safe(november) {
			t.Errorf("author first %v: stored %v, held %d, safe %v", authorFirst, l.stored(november)[id] != nil, l.held(november), author.safe(november))
		}
	}
}

// TestActorTakenByAnEdit: an edit of the plan does not say whose it is, so that
// after a restore whoever brings it first has its actor. The entries of the
// manager who made it come back all the same.
func TestActorTakenByAnEdit(t *testing.T) {
	l := newLab(t)
	manager := l.peer(l.enrol(1, "manager"))
	manager.connect()
	manager.open("plan")
	l.post(hub.WritePlan{Token: 1, Items: planItems()})
	l.settle(40)
	manager.disconnect()
	manager.put("plan", manager.next("plan", manager.field(t, "gates", "east", "name", change.String("Yard"))))
	of := manager.tick()
	carrier := l.peer(l.enrol(2, "manager"))
	carrier.own = true
	carrier.take("plan", manager)
	l.restart(noon + 1_000_000)
	carrier.connect()
	carrier.say("plan")
	l.settle(40)
	carrier.take(november, manager)
	carrier.say(november)
	l.settle(60)
	if l.stored(november)[of] == nil {
		t.Errorf("the entry did not come back: %+v", carrier.refused)
	}
	if mark := marks(l)[logbook.EntryID(of)]; mark == nil || mark.How != admit.Restored {
		t.Errorf("it is marked %+v", mark)
	}
}
