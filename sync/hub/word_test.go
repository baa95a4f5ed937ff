package hub_test

import (
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/graph"
	"gatewright/sync/wire"
)

// bringLast connects a peer and has it send the newest change of its copy
// alone, as it does when the hub's filter seems to hold what is beneath.
func (p *peer) bringLast(doc string) {
	p.l.t.Helper()
	p.connect()
	p.out = p.out[:1] // the join
	g := p.docs[doc].g
	var last graph.Node
	for last = range g.InOrder() {
	}
	m := wire.SyncMessage{Heads: g.Heads(), Have: []wire.Have{{}}, Changes: [][]byte{last.Bytes}}
	p.send(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(doc), Data: m.Encode()})
}

// TestRefusedByItsAuthorsWord: what a device that may relay brought of an author
// without the right is held. The author, who comes with it or with a change on
// top of it, is told that it is refused: nobody waits for himself to confirm
// something. It is then held no longer.
func TestRefusedByItsAuthorsWord(t *testing.T) {
	dismiss := func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no need" }
	for _, c := range []struct {
		name  string
		come  func(author *peer)
		codes string
		held  int
	}{
		{"with it", func(author *peer) { author.connect() }, "rights", 0},
		{"with one on top of it", func(author *peer) { author.tick(); author.bringLast(november) }, "depends(held) rights", 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := newLab(t)
			author, box := l.peer(l.enrol(1, "crew")), l.peer(relay(l.enrol(2, "viewer")))
			if err := l.mem.PutDevice(yard, box.author); err != nil {
				t.Fatal(err)
			}
			author.record(author.entry(logbook.Dismiss, dismiss))
			box.take(november, author)
			box.connect()
			l.settle(40)
			if box.codes() != "rights(held)" {
				t.Fatalf("the box was told %q", box.codes())
			}
			c.come(author)
			l.settle(40)
			if author.codes() != c.codes || l.held(november) != c.held {
				t.Errorf("the author was told %q, and %d are held; want %q and %d", author.codes(), l.held(november), c.codes, c.held)
			}
			if q := l.mem.Quarantined(yard); len(q) != 1 || q[0].Code != admit.CodeRights || q[0].Device != device(1) {
				t.Errorf("quarantined %+v", q)
			}
			l.restart(0)
			author.refused = nil
			author.connect()
			l.settle(40)
			if author.codes() != c.codes {
				t.Errorf("after a restart the author is told %q, want %q", author.codes(), c.codes)
			}
		})
	}
}

// TestRefusedWhileALaterOneWaits: the author's change waits for one of its own
// that it may not make; that one comes from another device first.
func TestRefusedWhileALaterOneWaits(t *testing.T) {
	l := newLab(t)
	author, box := l.peer(l.enrol(1, "crew")), l.peer(relay(l.enrol(2, "viewer")))
	if err := l.mem.PutDevice(yard, box.author); err != nil {
		t.Fatal(err)
	}
	author.record(author.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no need" }))
	box.take(november, author)
	author.tick()
	author.bringLast(november)
	parted := author.docs
	author.docs = nil // asked for what is missing, it is silent
	l.settle(20)
	if author.codes() != "" || l.held(november) != 0 {
		t.Fatalf("told %q, %d held", author.codes(), l.held(november))
	}
	box.connect()
	l.settle(40)
	author.docs = parted
	if author.codes() != "depends(held) rights" || l.held(november) != 1 {
		t.Errorf("the author was told %q, and %d are held", author.codes(), l.held(november))
	}
	if q := l.mem.Quarantined(yard); len(q) != 1 || q[0].Code != admit.CodeRights || q[0].Device != device(1) {
		t.Errorf("quarantined %+v", q)
	}
}

// TestWaitsByItsAuthorsWord: what its author brought, and what waits for an entry
// of another month, comes in with that, whoever else brings it before or after.
func TestWaitsByItsAuthorsWord(t *testing.T) {
	for _, carrierFirst := range []bool{false, true} {
		l := newLab(t)
		author, carrier, third := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew")), l.peer(l.enrol(3, "crew"))
		third.connect()
		third.tick() // there is something to be said of November
		l.settle(40)
		of := author.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 20*24*3600_000) })
		void := author.record(author.entry(logbook.Void, func(e *logbook.Entry) { e.Of = logbook.EntryID(of) }))
		carrier.take(november, author)
		parted := author.docs[october]
		delete(author.docs, october)
		both := []*peer{author, carrier}
		if carrierFirst {
			both = []*peer{carrier, author}
		}
		for _, p := range both {
			p.connect()
			l.settle(40)
		}
		if author.codes() != "unknown-entry(held)" || l.held(november) != 1 {
			t.Fatalf("carrier first %v: told %q, %d held", carrierFirst, author.codes(), l.held(november))
		}
		author.docs[october] = parted
		author.say(october)
		l.settle(40)
		if l.stored(november)[void] == nil || l.held(november) != 0 {
			t.Errorf("carrier first %v: stored %v, %d held", carrierFirst, l.stored(november)[void] != nil, l.held(november))
		}
		if len(marks(l)) != 0 {
			t.Errorf("carrier first %v: marked as brought by another", carrierFirst)
		}
	}
}

// TestAuthorsWordIsRemembered: who vouched for a change that still waits for another author's is not asked again.
func TestAuthorsWordIsRemembered(t *testing.T) {
	l := newLab(t)
	first, second, carrier := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew")), l.peer(l.enrol(3, "crew"))
	first.tick()
	second.take(november, first)
	second.tick()
	first.take(november, second)
	id := first.tick()
	carrier.take(november, first)
	carrier.connect()
	l.settle(40)
	first.connect()
	l.settle(40)
	if l.held(november) != 2 {
		t.Fatalf("%d changes are held, want the one of the second author and the one on top of it", l.held(november))
	}
	first.disconnect()
	second.connect()
	l.settle(60)
	if l.stored(november)[id] == nil || l.held(november) != 0 {
		t.Errorf("stored %v, held %d", l.stored(november)[id] != nil, l.held(november))
	}
}
