package hub_test

import (
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/hub"
)

// shared is a lab whose store is shared with other nodes.
func shared(t *testing.T) *lab {
	t.Helper()
	l := newLab(t)
	c := config(0)
	c.Reconcile = 3_000
	site, err := hub.NewSite(c)
	if err != nil {
		t.Fatal(err)
	}
	l.site = site
	return l
}

// pass lets seconds pass.
func (l *lab) pass(seconds int) {
	l.t.Helper()
	for range seconds {
		l.now += 1_000
		l.post(hub.Tick{})
		l.settle(40)
	}
}

// A device that was revoked at another node is put out here too, also one that
// only reads; the others stay.
func TestRevokedAtAnotherNode(t *testing.T) {
	l := shared(t)
	reader, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	for _, p := range []*peer{reader, other} {
		p.connect()
		p.open(november)
	}
	l.settle(40)
	l.pass(40)
	l.mem.Revoke(yard, device(1), l.now)
	l.pass(31)
	reader.wantClosed(hub.CloseRevoked)
	if other.conn == 0 {
		t.Error("the other device was put out as well")
	}
	id := other.tick()
	l.settle(40)
	if l.stored(november)[id] == nil || reader.has(november, id) {
		t.Error("the other's work must come in, and the revoked device must not have it")
	}
}

// A restore window that was opened at another node is open here too, and is
// over when it is closed there. An answer that was under way when it was opened
// here does not close it.
func TestWindowOpenedAtAnotherNode(t *testing.T) {
	l := shared(t)
	author, carrier := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	id := author.tick()
	carrier.take(november, author)
	carrier.connect()
	l.pass(40)
	if len(l.stored(november)) != 0 || l.held(november) != 1 {
		t.Fatal("not held")
	}
	l.until = l.now + 3600_000
	l.pass(31)
	if l.stored(november)[id] == nil || l.held(november) != 0 {
		t.Fatal("what was held was not let in")
	}
	l.until = 0
	l.pass(31)
	late := author.tick()
	carrier.take(november, author)
	carrier.say(november)
	l.settle(40)
	if l.stored(november)[late] != nil || l.held(november) != 1 {
		t.Fatal("the window is open still")
	}

	l.park = func(ev hub.Event) bool { _, is := ev.(hub.Accessed); return is }
	l.pass(31)
	if len(l.parked) != 1 {
		t.Fatalf("asked %d times, want once", len(l.parked))
	}
	l.post(hub.Restore{Until: l.now + 3600_000})
	l.post(l.parked[0])
	l.park = nil
	l.settle(40)
	if l.stored(november)[late] == nil {
		t.Error("what was held was not let in")
	}
	again := author.tick()
	carrier.take(november, author)
	carrier.say(november)
	l.settle(40)
	if l.stored(november)[again] == nil {
		t.Error("an old answer closed the window")
	}
}

// A grant ends by itself while its device is connected: from that instant the
// device gets nothing more, though nobody said anything; who has another grant
// on it stays.
func TestGrantEndsWhileConnected(t *testing.T) {
	l := newLab(t)
	end := l.now + 10_000
	until := func(a *admit.Author) { a.People[0].Until = end }
	visitor, worker := l.peer(l.enrol(1, "contractor", until)), l.peer(l.enrol(2, "crew"))
	shared := l.peer(l.enrol(3, "crew", until, func(a *admit.Author) {
		a.People = append(a.People, admit.Person{ID: person(9), Role: "crew", From: begun})
	}))
	peers := []*peer{visitor, worker, shared}
	for _, p := range peers {
		p.connect()
		p.open(november)
	}
	l.settle(60)
	l.pass(9)
	early := worker.tick()
	l.settle(60)
	if visitor.conn == 0 || !visitor.has(november, early) {
		t.Fatal("put out before the end")
	}
	l.pass(1)
	visitor.wantClosed(hub.CloseRevoked)
	late := worker.tick()
	l.settle(60)
	if visitor.has(november, late) || !shared.has(november, late) {
		t.Errorf("after the end the visitor has it %v, and those who stay %v", visitor.has(november, late), shared.has(november, late))
	}
}

// Access that was ended at another node ends here too.
func TestEndedAtAnotherNode(t *testing.T) {
	l := shared(t)
	reader, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	for _, p := range []*peer{reader, other} {
		p.connect()
		p.open(november)
	}
	l.settle(40)
	l.pass(40)
	l.enrol(1, "crew", func(a *admit.Author) { a.People[0].Until = l.now })
	l.pass(31)
	reader.wantClosed(hub.CloseRevoked)
	id := other.tick()
	l.settle(40)
	if other.conn == 0 || l.stored(november)[id] == nil || reader.has(november, id) {
		t.Error("the other's work must come in, and who has gone must not have it")
	}
}
