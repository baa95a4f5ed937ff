package hub_test

import (
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/hub"
)

func TestTwoPeersAndALateOne(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	a.connect()
	b.connect()
	b.open(november)
	l.settle(20)
	id := a.tick()
	l.settle(20)
	other := b.tick()
	l.settle(20)
	if !b.has(november, id) || !a.has(november, other) {
		t.Error("an entry did not cross")
	}
	late := l.peer(l.enrol(3, "crew"))
	late.connect()
	late.open(november)
	l.settle(20)
	l.wantSame(november, a, b, late)
	for _, p := range []*peer{a, b, late} {
		if !p.safe(november) || p.closed != nil || len(p.refused) > 0 {
			t.Errorf("%s: safe %v, closed %v, refused %v", p.sender, p.safe(november), p.closed, p.refused)
		}
	}
	if n := len(l.stored(november)); n != 2 {
		t.Errorf("the store has %d entries, want 2", n)
	}
}

func TestOfflineWorkOfTwoMeets(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	for range 30 {
		a.tick()
		b.tick()
	}
	a.connect()
	b.connect()
	l.settle(60)
	l.wantSame(november, a, b)
	if n := len(l.stored(november)); n != 60 {
		t.Errorf("the store has %d entries, want 60", n)
	}
	l.restart(0) // the machine goes, the store stays
	a.connect()
	b.connect()
	a.tick()
	l.settle(40)
	l.wantSame(november, a, b)
}

func TestUnavailableThenThere(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	a.own = false
	a.connect()
	a.open(november)
	l.settle(10)
	if len(a.unavailable) != 1 || a.unavailable[0] != documentID(november) {
		t.Fatalf("unavailable: %v", a.unavailable)
	}
	b.connect()
	id := b.tick()
	l.settle(20)
	if !a.has(november, id) {
		t.Error("the document appeared and the peer that had asked did not get it")
	}
	if n := len(b.lists); n != 2 || len(b.lists[1].Documents) != 1 || b.lists[1].Documents[0].Name != november {
		t.Errorf("lists: %v", b.lists)
	}
	if len(a.lists) > 0 {
		t.Error("a stock client got our own frame")
	}
}

func TestListFollowsWhatIsNotOpen(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	a.tick()
	a.connect()
	b.connect()
	l.settle(20)
	before := len(b.lists)
	a.tick()
	l.settle(20)
	if len(b.lists) != before+1 {
		t.Fatalf("%d lists, want %d", len(b.lists), before+1)
	}
	if heads := b.lists[before].Documents[0].Heads; len(heads) != 1 || heads[0] != a.docs[november].g.Heads()[0] {
		t.Errorf("heads %v", heads)
	}
}

func TestNothingIsAcknowledgedBeforeItIsStored(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	for _, p := range []*peer{a, b} {
		p.tick()
		p.connect()
	}
	l.settle(40)
	l.wantSame(november, a, b)

	l.park = func(ev hub.Event) bool { _, is := ev.(hub.Appended); return is }
	heardA, heardB := a.docs[november].heard, b.docs[november].heard
	id := a.tick()
	other := a.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 20*24*3600_000) }) // another document
	l.settle(20)
	if len(l.parked) != 2 {
		t.Fatalf("%d commits wait, want one for each document", len(l.parked))
	}
	if a.safe(november) || a.docs[november].heard != heardA {
		t.Error("acknowledged before it was stored")
	}
	if b.has(november, id) || b.docs[november].heard != heardB {
		t.Error("passed on before it was stored")
	}
	// The other document does not wait for this one.
	l.park = nil
	for i, ev := range l.parked {
		if i == 1 {
			l.post(ev)
		}
	}
	l.settle(20)
	if !a.safe(october) || a.safe(november) {
		t.Error("a document waited for another one's commit, or did not wait for its own")
	}
	// What came meanwhile waits in order.
	third := a.tick()
	l.settle(20)
	if a.safe(november) {
		t.Error("acknowledged before it was stored")
	}
	l.post(l.parked[0])
	l.settle(20)
	if !a.safe(november) || !b.has(november, id) || !b.has(november, third) {
		t.Error("stored and not acknowledged")
	}
	if l.stored(october)[other] == nil {
		t.Error("the other document lost its entry")
	}
}

func TestServersEntries(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.open(november)
	l.settle(10)
	clock := func(ms int64) logbook.Entry {
		return logbook.Entry{ID: l.entryID(ms), Kind: logbook.Clock, At: ms, By: logbook.Server, Dev: logbook.Server,
			Device: device(1), Offset: 130_000}
	}
	first, err := clock(noon).Encode()
	if err != nil {
		t.Fatal(err)
	}
	second, _ := clock(noon + 1).Encode()
	l.post(hub.Write{Token: 7, Doc: november, Entries: [][]byte{first}})
	l.post(hub.Write{Token: 8, Doc: november, Entries: [][]byte{first, second}})
	l.post(hub.Write{Token: 9, Doc: october, Entries: [][]byte{first}})
	l.post(hub.Write{Token: 10, Doc: "log/1999-12", Entries: [][]byte{first}})
	l.post(hub.Write{Token: 11, Doc: november, Entries: [][]byte{[]byte(`{"id":"x"}`)}})
	l.settle(20)
	if len(l.done) != 5 || l.done[7] != nil || l.done[8] != nil || l.done[9] == nil || l.done[10] == nil || l.done[11] == nil {
		t.Errorf("answers %v", l.done)
	}
	if n := len(l.stored(november)); n != 2 {
		t.Errorf("%d entries, want 2", n)
	}
	l.wantSame(november, a)
	a.tick()
	l.settle(20)
	l.wantSame(november, a)
	if len(a.refused) > 0 {
		t.Error(a.refused)
	}
}

func TestSameEventsSameEffects(t *testing.T) {
	l := newLab(t)
	peers := []*peer{l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew")), l.peer(l.enrol(3, "manager"))}
	peers[1].own = false
	for _, p := range peers {
		p.tick()
		p.tick()
		p.connect()
	}
	l.settle(100)
	foreign := peers[0].entry(logbook.Tick)
	foreign.Dev, foreign.By = device(2), person(2)
	peers[0].record(foreign)
	peers[1].record(peers[1].entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no need" }))
	l.settle(200)
	l.post(hub.Restore{Until: noon + 1000})
	l.post(hub.Tick{})
	l.settle(200)

	for range 3 {
		again, err := hub.NewSite(config(0))
		if err != nil {
			t.Fatal(err)
		}
		for i, ev := range l.trace {
			got := again.Step(ev, l.times[i])
			if want := l.said[i]; render(got) != render(want) {
				t.Fatalf("event %d (%T):\n got %s\nwant %s", i, ev, render(got), render(want))
			}
		}
	}
}
