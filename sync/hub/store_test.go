package hub_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/storetest"
	"gatewright/sync/wire"
)

// TestStoreFails: whatever call fails, before or after it took effect, nothing
// is acknowledged that is not there, the peers of the document are asked to
// come again, and then all is well.
func TestStoreFails(t *testing.T) {
	for _, method := range []string{"Append", "Load", "ActorDevices", "AuthorOf", "Hold", "Quarantine", "Documents"} {
		for _, after := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, after %v", method, after), func(t *testing.T) {
				l := newLab(t)
				a, b, c := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew")), l.peer(l.enrol(3, "crew"))
				stranger := l.peer(l.enrol(4, "crew"))
				stranger.tick()
				for _, p := range []*peer{a, b} {
					p.connect()
					p.tick()
				}
				c.connect()
				c.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 20*24*3600_000) })
				l.settle(60)
				l.wantSame(november, a, b)

				l.store.Fail(storetest.Fault{Method: method, After: after})
				switch method {
				case "Load", "Documents":
					l.restart(0)
					a.connect()
					b.connect()
					c.connect()
				case "Hold", "AuthorOf":
					a.drop(november)
					l.settle(40)
					a.docs[november].g = stranger.docs[november].g
					a.say(november)
				case "Quarantine":
					a.record(a.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no" }))
				case "ActorDevices":
					a.restart()
				}
				id := a.tick()
				l.settle(60)
				if method == "Documents" {
					l.post(hub.Tick{})
					l.settle(60)
					if len(a.lists) == 0 {
						t.Error("the list never came")
					}
				} else if method != "Load" {
					for _, p := range []*peer{a, b} {
						if p.closed == nil || p.closed.Code != hub.CloseTryLater {
							t.Errorf("%s: closed %+v", p.sender, p.closed)
						}
					}
					if c.closed != nil {
						t.Error("the peer of another document was closed")
					}
					if a.safe(november) {
						t.Error("acknowledged")
					}
				}
				if len(l.troubles) == 0 {
					t.Error("the operator hears nothing of it")
				}
				for _, p := range []*peer{a, b, c} {
					if p.conn == 0 {
						p.connect()
					}
				}
				l.settle(100)
				switch method {
				case "Hold", "AuthorOf", "Quarantine":
					if len(a.refused) == 0 {
						t.Error("not told why")
					}
					a.drop(november)
					l.settle(40)
					id = a.tick()
					l.settle(40)
				}
				if l.stored(november)[id] == nil || !a.safe(november) {
					t.Error("the work does not go through afterwards")
				}
				l.wantSame(november, a, b)
			})
		}
	}
}

// TestStoreKnowsBetter: another node wrote meanwhile. The one change that the
// store refuses is refused, the others of the message are taken.
func TestStoreKnowsBetter(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	a.connect()
	b.connect()
	b.open(november)
	a.tick()
	l.settle(40)

	node, c := l.node()
	used := c.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon) })
	node.settle(20)
	if l.stored(november)[used] == nil {
		t.Fatal("the other node did not write")
	}

	a.disconnect()
	l.settle(10)
	good := a.tick()
	base := a.docs[november].g.Heads()
	a.restart()
	a.tick(func(e *logbook.Entry) { e.ID = logbook.EntryID(used) })
	a.restart()
	ch := a.next(november, a.set(a.entry(logbook.Tick)))
	ch.Deps, ch.StartOp = base, a.docs[november].g.MaxOp(base)+1
	a.put(november, ch)
	a.connect()
	l.settle(40)
	have := l.stored(november)
	if have[good] == nil || have[ch.Ops[0].Key] == nil || have[used].Dev != device(3) {
		t.Error("good ones lost or a bad one taken")
	}
	if a.codes() != "taken" {
		t.Errorf("codes %q", a.codes())
	}
	if !b.has(november, used) {
		t.Error("what the other node wrote was not passed on")
	}
	if l.site.Stats().Retry > 1 || b.closed != nil {
		t.Error("too much ado")
	}
}

func TestHint(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.tick()
	l.settle(40)
	node, c := l.node()
	id := c.tick()
	far := c.tick(func(e *logbook.Entry) { e.ID = node.entryID(noon - 20*24*3600_000) })
	node.settle(20)
	l.post(hub.Hint{Doc: november, Heads: c.docs[november].g.Heads()})
	l.post(hub.Hint{Doc: november, Heads: c.docs[november].g.Heads()}) // lost and repeated hints do no harm
	l.post(hub.Hint{Doc: october, Heads: c.docs[october].g.Heads()})
	l.post(hub.Hint{Doc: "nonsense"})
	l.settle(20)
	if !a.has(november, id) {
		t.Error("the hint brought nothing")
	}
	if last := a.lists[len(a.lists)-1].Documents; len(last) != 2 {
		t.Errorf("listed %v", last)
	}
	a.open(october)
	l.settle(20)
	if !a.has(october, far) {
		t.Error("the other document did not come")
	}
}

// TestHintThatCouldNotBeRead: a node that failed to read what another wrote
// finds it the next time that it compares heads.
func TestHintThatCouldNotBeRead(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.tick()
	l.settle(40)
	node, c := l.node()
	c.tick()
	node.settle(20)
	compare := func() {
		docs, err := l.mem.Documents(t.Context(), yard)
		if err != nil {
			t.Fatal(err)
		}
		l.post(hub.Listed{Documents: docs})
		l.settle(20)
	}
	l.store.Fail(storetest.Fault{Method: "Load"})
	compare()
	a.wantClosed(hub.CloseTryLater)
	compare()
	want := c.docs[november].g.Heads()
	if got := l.site.Heads()[november]; !slices.Equal(got, want) {
		t.Errorf("heads %v, want %v", got, want)
	}
	l.post(hub.Hint{Doc: november, Heads: a.docs[november].g.Heads()}) // under way for long
	l.settle(20)
	compare()
	if got := l.site.Heads()[november]; !slices.Equal(got, want) {
		t.Errorf("after a late hint: heads %v, want %v", got, want)
	}
}

// TestDamagedStore: what cannot be read is left out, and the phones give it
// back.
func TestDamagedStore(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	for range 3 {
		a.tick()
	}
	l.settle(60)
	changes, _, err := l.mem.Load(context.Background(), yard, november)
	if err != nil {
		t.Fatal(err)
	}
	l.restart(0)
	a.connect()
	l.park = func(ev hub.Event) bool { _, is := ev.(hub.Loaded); return is }
	l.settle(20)
	l.park = nil
	i := slices.IndexFunc(changes, func(c hub.StoredChange) bool { return c.Seq == 2 })
	bad := slices.Clone(changes)
	bad[i].Bytes = slices.Clone(bad[i].Bytes)
	bad[i].Bytes[40] ^= 1
	l.post(hub.Loaded{Doc: november, Changes: bad})
	l.settle(40)
	if len(l.troubles) != 2 { // the change itself, and the one that builds on it
		t.Errorf("troubles %v", l.troubles)
	}
	id := a.tick()
	l.settle(40)
	if l.stored(november)[id] == nil || !a.safe(november) {
		t.Error("the document is stuck")
	}
}

// TestLookup: the answer of a lookup of actors may name a device that was not
// asked about; it is asked about before the change is judged.
func TestLookupOfABoundActor(t *testing.T) {
	l := newLab(t)
	boss := l.peer(l.enrol(1, "manager"))
	boss.connect()
	boss.tick() // binds its actor
	l.settle(40)
	l.restart(0)
	l.post(hub.WritePlan{Token: 1, Items: []hub.PlanItem{{Collection: "gates", ID: "east",
		Fields: map[string]change.Value{"name": change.String("East"), "drive": change.String("air")}}}})
	box := l.peer(l.enrol(2, "viewer"))
	l.mem.PutDevice(yard, relay(box.author))
	box.connect()
	box.open("plan")
	l.settle(40)
	// The manager's edit, made on a copy that it got from the box.
	boss.take("plan", box)
	boss.put("plan", boss.next("plan", boss.field(t, "gates", "east", "name", change.String("Yard"))))
	box.take("plan", boss)
	box.say("plan")
	l.settle(40)
	if box.codes() != "" || len(l.mem.Quarantined(yard)) != 0 {
		t.Errorf("codes %q", box.codes())
	}
	l.wantSame("plan", box)
}

// TestHintWhileCommitting: what another node wrote is fetched when the commit
// that was under way is done.
func TestHintWhileCommitting(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.tick()
	l.settle(40)
	node, c := l.node()
	id := c.tick()
	node.settle(20)
	l.park = func(ev hub.Event) bool { _, is := ev.(hub.Appended); return is }
	own := a.tick()
	l.settle(20)
	l.post(hub.Hint{Doc: november, Heads: c.docs[november].g.Heads()})
	l.settle(20)
	if a.has(november, id) || a.safe(november) {
		t.Error("it did not wait")
	}
	l.park = nil
	l.events = append(l.events, l.parked...)
	l.settle(40)
	if !a.has(november, id) || !a.safe(november) || l.stored(november)[own] == nil {
		t.Error("the hint was forgotten, or the commit")
	}
}

// TestVoidWaitsForItsMonth: a void of another month is judged when that month
// is in memory, and its document goes on in order.
func TestVoidWaitsForItsMonth(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.tick()
	old := a.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 20*24*3600_000) })
	l.settle(60)
	l.restart(0)
	delete(a.docs, october)
	a.connect()
	l.settle(20)
	l.park = func(ev hub.Event) bool { loaded, is := ev.(hub.Loaded); return is && loaded.Doc == october }
	void := a.record(a.entry(logbook.Void, func(e *logbook.Entry) { e.Of = logbook.EntryID(old) }))
	after := a.tick()
	l.settle(20)
	if len(l.parked) != 1 || l.held(november) != 0 || len(l.stored(november)) != 1 {
		t.Fatalf("%d loads wait, %d held, %d stored", len(l.parked), l.held(november), len(l.stored(november)))
	}
	l.park = nil
	l.events = append(l.events, l.parked...)
	l.settle(20)
	if have := l.stored(november); have[void] == nil || have[after] == nil || a.codes() != "" {
		t.Errorf("codes %q", a.codes())
	}
	// And if that month cannot be read, nothing is acknowledged.
	l.restart(0)
	a.connect()
	l.settle(20)
	l.store.Fail(storetest.Fault{Method: "Load"})
	a.record(a.entry(logbook.Void, func(e *logbook.Entry) { e.Of = logbook.EntryID(old) }))
	l.settle(20)
	a.wantClosed(hub.CloseTryLater)
	a.connect()
	l.settle(40)
	if !a.safe(november) {
		t.Error("stuck")
	}
}

// TestReconcile: a node whose hints are lost compares heads with the store by
// itself, and not before it is time.
func TestReconcile(t *testing.T) {
	l := newLab(t)
	site, err := hub.NewSite(func() hub.SiteConfig { c := config(0); c.Reconcile = 10_000; return c }())
	if err != nil {
		t.Fatal(err)
	}
	l.site = site
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.tick()
	l.settle(40)
	node, c := l.node()
	id := c.tick()
	far := c.tick(func(e *logbook.Entry) { e.ID = node.entryID(noon - 20*24*3600_000) })
	node.settle(20)
	l.now += 9_000
	l.post(hub.Tick{})
	l.settle(20)
	if a.has(november, id) {
		t.Error("the node asked before it was time")
	}
	l.now += 1_000
	l.post(hub.Tick{})
	l.settle(20)
	if !a.has(november, id) {
		t.Error("what another node wrote did not come")
	}
	if last := a.lists[len(a.lists)-1].Documents; len(last) != 2 {
		t.Errorf("listed %v", last)
	}
	a.open(october)
	l.settle(20)
	if !a.has(october, far) {
		t.Error("the other month did not come")
	}
	loads := l.store.Calls("Load")
	l.now += 10_000
	l.post(hub.Tick{})
	l.settle(20)
	if got := l.store.Calls("Load"); got != loads {
		t.Errorf("%d documents were loaded though nothing was new", got-loads)
	}
}

// TestReconcileWaits: a store that does not answer is asked once, however much
// time passes, and again when it has answered, badly or well.
func TestReconcileWaits(t *testing.T) {
	l := newLab(t)
	site, err := hub.NewSite(func() hub.SiteConfig { c := config(0); c.Reconcile = 2_000; return c }())
	if err != nil {
		t.Fatal(err)
	}
	l.site = site
	pass := func(seconds int) (asked int) {
		before := l.store.Calls("Documents")
		for range seconds {
			l.now += 1_000
			l.post(hub.Tick{})
			l.settle(0)
		}
		return l.store.Calls("Documents") - before
	}
	l.park = func(ev hub.Event) bool { _, is := ev.(hub.Listed); return is }
	for _, listed := range []bool{false, true} {
		if asked := pass(10); asked != 1 {
			t.Errorf("listed before %v: asked %d times for one answer", listed, asked)
		}
		l.parked = nil
		l.post(hub.Listed{Err: errAway})
		if asked := pass(10); asked != 1 {
			t.Errorf("listed before %v: asked %d times after a bad answer, want once", listed, asked)
		}
		l.park = nil
		l.events, l.parked = append(l.events, l.parked...), nil
		if asked := pass(10); asked < 4 || asked > 6 {
			t.Errorf("listed before %v: asked %d times in ten seconds, want every other", listed, asked)
		}
		l.park = func(ev hub.Event) bool { _, is := ev.(hub.Listed); return is }
	}
}

// TestReconcileOnce: heads that the store lists and cannot give, as when their
// changes are damaged there, are gone after once and not at every comparison.
func TestReconcileOnce(t *testing.T) {
	l := shared(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.tick()
	l.settle(40)
	for n, c := range []struct {
		head  byte
		loads int
	}{{1, 1}, {1, 0}, {1, 0}, {2, 1}, {2, 0}} {
		before := l.store.Calls("Load")
		l.post(hub.Listed{Documents: []hub.Document{{Name: november, Heads: []change.Hash{{c.head}}}}})
		l.settle(40)
		if got := l.store.Calls("Load") - before; got != c.loads {
			t.Errorf("list %d: %d documents were loaded, want %d", n, got, c.loads)
		}
	}
}

var errAway = errors.New("away")

// TestSaidAgainWhileCommitting: a peer that speaks a second time before its change is stored, without changes, is
// told all the same that the change is safe. It names heads that we have by then, and yet we never said so.
func TestSaidAgainWhileCommitting(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.tick()
	l.settle(40)
	l.park = func(ev hub.Event) bool { _, is := ev.(hub.Appended); return is }
	a.tick()
	l.settle(20)
	id := a.tick() // waits behind the commit, and so does what follows
	heads := a.docs[november].g.Heads()
	a.send(wire.Sync{SenderID: a.sender, TargetID: hubID, DocumentID: documentID(november),
		Data: wire.SyncMessage{Heads: heads, Have: []wire.Have{{LastSync: heads}}}.Encode()})
	l.settle(20)
	l.park = nil
	l.events = append(l.events, l.parked...)
	l.settle(40)
	if l.stored(november)[id] == nil {
		t.Fatal("the entry is not stored")
	}
	if !a.safe(november) {
		t.Error("the peer was never told that its entry is safe")
	}
}
