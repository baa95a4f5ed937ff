package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/sqlstore"
)

// Node is a store that several nodes can have open at once: it shares out jobs
// and keeps the instants at which rules are due.
type Node interface {
	hub.Store
	Acquire(ctx context.Context, name, holder string, now, until int64) (sqlstore.Lease, bool, error)
	Renew(ctx context.Context, l sqlstore.Lease, now, until int64) (sqlstore.Lease, bool, error)
	Release(ctx context.Context, l sqlstore.Lease) (bool, error)
	SetWake(ctx context.Context, site string, revision, at int64) (bool, error)
	DueSites(ctx context.Context, now int64, limit int) ([]sqlstore.DueSite, error)
}

// Nodes checks what nodes that share a database promise one another. open
// gives the doors to a fresh database and two nodes that have it open, the first
// of them being the backend's store.
func Nodes(t *testing.T, open func(t *testing.T) (Backend, [2]Node)) {
	for _, c := range []struct {
		name string
		test func(y *shared, t *testing.T)
	}{
		{"a lease has one holder at a time", (*shared).lease},
		{"many who want one lease", (*shared).contended},
		{"wake instants are set by compare-and-set", (*shared).wake},
		{"no wake is lost", (*shared).noWakeLost},
		{"appends to one site", (*shared).appends},
		{"one entry id for two changes", (*shared).oneWins},
		{"held or stored, never both", (*shared).heldOrStored},
		{"nothing is stored once a revocation was answered", (*shared).revokedMeanwhile},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, nodes := open(t)
			y := &shared{Backend: b, nodes: nodes, ctx: t.Context()}
			for _, site := range []string{"s1", "s2", "s3"} {
				y.PutSite(t, site)
			}
			y.PutDevice(t, "s1", admit.Author{Device: "d1"})
			y.PutDevice(t, "s1", admit.Author{Device: "d2"})
			c.test(y, t)
		})
	}
}

type shared struct {
	Backend
	nodes [2]Node
	ctx   context.Context
}

func (y *shared) lease(t *testing.T) {
	a, b := y.nodes[0], y.nodes[1]
	take := func(n Node, holder string, now, until int64, fence int64) sqlstore.Lease {
		t.Helper()
		l, ok, err := n.Acquire(y.ctx, "job", holder, now, until)
		if err != nil || ok != (fence > 0) {
			t.Fatalf("%s takes the lease at %d: %v, %v", holder, now, ok, err)
		}
		if ok {
			same(t, "lease", l, sqlstore.Lease{Name: "job", Holder: holder, Until: until, Fence: fence})
		}
		return l
	}
	renew := func(n Node, l sqlstore.Lease, now, until int64, want bool) sqlstore.Lease {
		t.Helper()
		got, ok, err := n.Renew(y.ctx, l, now, until)
		if err != nil || ok != want || ok && got.Until != until {
			t.Fatalf("renewing at %d: %+v, %v, %v", now, got, ok, err)
		}
		return got
	}
	release := func(n Node, l sqlstore.Lease, want bool) {
		t.Helper()
		if ok, err := n.Release(y.ctx, l); err != nil || ok != want {
			t.Fatalf("giving back: %v, %v; want %v", ok, err, want)
		}
	}
	first := take(a, "a", 100, 200, 1)
	take(b, "b", 100, 200, 0)
	take(a, "a", 150, 300, 0) // not even for the one who has it
	take(b, "b", 199, 300, 0)
	first = renew(a, first, 199, 250, true)
	take(b, "b", 249, 300, 0)
	renew(a, first, 250, 300, false) // it has run out, though nobody took it
	second := take(b, "b", 250, 350, 2)
	renew(a, first, 260, 400, false)
	release(a, first, false)
	forged := second
	forged.Holder = "a"
	renew(a, forged, 260, 400, false)
	release(a, forged, false)
	release(b, second, true)
	third := take(a, "a", 251, 300, 3)
	renew(b, second, 252, 400, false) // given back is given back
	release(a, third, true)
	if _, ok, err := a.Acquire(y.ctx, "other job", "a", 1, 2); err != nil || !ok {
		t.Fatalf("a lease of another name: %v, %v", ok, err)
	}
	for what, l := range map[string]sqlstore.Lease{"no name": {Holder: "a", Until: 9}, "no holder": {Name: "j", Until: 9}, "no time": {Name: "j", Holder: "a", Until: 5}} {
		if _, ok, err := a.Acquire(y.ctx, l.Name, l.Holder, 5, l.Until); err == nil || ok {
			t.Errorf("a lease with %s was taken", what)
		}
	}
	if _, ok, err := a.Renew(y.ctx, third, 5, 5); err == nil || ok {
		t.Error("a lease was renewed for no time")
	}
	if y.Reopen != nil { // the fence goes on where it was
		if l, ok, err := y.Reopen(t).(Node).Acquire(y.ctx, "job", "c", 400, 500); err != nil || !ok || l.Fence != 4 {
			t.Fatalf("after reopening: %+v, %v, %v", l, ok, err)
		}
	}
}

// contended lets all reach for a lease at the same instants: at each exactly
// one gets it, with the next fence.
func (y *shared) contended(t *testing.T) {
	const holders, rounds = 8, 12
	for round := range int64(rounds) {
		var won atomic.Int64
		var wg sync.WaitGroup
		for h := range holders {
			wg.Go(func() {
				l, ok, err := y.nodes[h%2].Acquire(y.ctx, "job", fmt.Sprint(h), 10*round, 10*round+10)
				if err != nil {
					t.Errorf("holder %d: %v", h, err)
				}
				if ok {
					won.Add(1)
					if l.Fence != round+1 {
						t.Errorf("round %d: fence %d", round, l.Fence)
					}
				}
			})
		}
		wg.Wait()
		if won.Load() != 1 {
			t.Fatalf("round %d: %d got the lease", round, won.Load())
		}
	}
}

func (y *shared) due(t *testing.T, now int64, limit int) []sqlstore.DueSite {
	t.Helper()
	due, err := y.nodes[1].DueSites(y.ctx, now, limit)
	if err != nil {
		t.Fatal(err)
	}
	return due
}

func (y *shared) setWake(t *testing.T, site string, revision, at int64, want bool) {
	t.Helper()
	if ok, err := y.nodes[0].SetWake(y.ctx, site, revision, at); err != nil || ok != want {
		t.Fatalf("SetWake of %s at revision %d: %v, %v; want %v", site, revision, ok, err, want)
	}
}

func (y *shared) wake(t *testing.T) {
	if due := y.due(t, 1<<60, 10); len(due) != 0 {
		t.Fatalf("due at first: %v", due)
	}
	y.setWake(t, "s1", 0, 300, true)
	y.setWake(t, "s2", 0, 200, true)
	y.setWake(t, "s3", 0, 200, true)
	y.setWake(t, "nowhere", 0, 1, false)
	same(t, "due before", y.due(t, 199, 10), []sqlstore.DueSite(nil))
	s1, s2, s3 := sqlstore.DueSite{Site: "s1", WakeAt: 300}, sqlstore.DueSite{Site: "s2", WakeAt: 200}, sqlstore.DueSite{Site: "s3", WakeAt: 200}
	same(t, "due at 200", y.due(t, 200, 10), []sqlstore.DueSite{s2, s3})
	same(t, "due at 300", y.due(t, 300, 10), []sqlstore.DueSite{s2, s3, s1})
	same(t, "two of them", y.due(t, 300, 2), []sqlstore.DueSite{s2, s3})
	y.setWake(t, "s2", 0, 0, true)
	same(t, "due after one was put off", y.due(t, 1<<60, 10), []sqlstore.DueSite{s3, s1})

	// What was stored meanwhile is looked at first, though the instant is the same.
	if err := y.nodes[0].Append(y.ctx, hub.Batch{Site: "s1", Doc: doc1, DocID: id1, Changes: []hub.StoredChange{one("a1")}, Now: 300}); err != nil {
		t.Fatal(err)
	}
	y.setWake(t, "s1", 0, 900, false)
	s1.Revision = 1
	same(t, "due at 300", y.due(t, 300, 10), []sqlstore.DueSite{s3, s1})
	y.setWake(t, "s1", 1, 900, true)
	same(t, "due at 300", y.due(t, 300, 10), []sqlstore.DueSite{s3})
}

// noWakeLost has two nodes put a site to sleep while batches come in: when it
// sleeps in the end, it was put to sleep after the last batch.
func (y *shared) noWakeLost(t *testing.T) {
	const writers, length = 4, 9
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for i := 1; i <= length; i++ {
				c := one(fmt.Sprintf("%c%d", 'a'+w, i))
				if err := y.nodes[w%2].Append(y.ctx, in1(c)); err != nil {
					t.Errorf("%v", err)
				}
			}
		})
	}
	done := make(chan struct{})
	var asleep [2]int64 // the last revision at which each node put the site to sleep
	var sleepers sync.WaitGroup
	for n := range 2 {
		sleepers.Go(func() {
			for last := false; ; {
				due, err := y.nodes[n].DueSites(y.ctx, 1<<60, 10)
				if err != nil {
					t.Errorf("%v", err)
					return
				}
				for _, d := range due {
					ok, err := y.nodes[n].SetWake(y.ctx, d.Site, d.Revision, 0)
					if err != nil {
						t.Errorf("%v", err)
					}
					if ok {
						asleep[n] = d.Revision
					}
				}
				if last && len(due) == 0 {
					return
				}
				select {
				case <-done:
					last = true
				default:
				}
			}
		})
	}
	wg.Wait()
	close(done)
	sleepers.Wait()
	if got := max(asleep[0], asleep[1]); got != writers*length {
		t.Errorf("put to sleep at revision %d, after %d batches", got, writers*length)
	}
}

// appends has many writers at both nodes, on two documents of one site, each
// repeating what the other node may have stored already.
func (y *shared) appends(t *testing.T) {
	const writers, length = 6, 9
	var wg sync.WaitGroup
	for w := range 2 * writers {
		wg.Go(func() {
			for i := 1; i <= length; i++ {
				label := fmt.Sprintf("%c%d", 'a'+w/2, i)
				c := entry(one(label), label)
				if i > 1 {
					c.Deps = append(c.Deps, hashOf(fmt.Sprintf("%c%d", 'a'+w/2, i-1)))
				}
				b := in1(c)
				if w/2%2 == 1 {
					b.Doc, b.DocID = doc2, id2
				}
				if err := y.nodes[w%2].Append(y.ctx, b); err != nil {
					t.Errorf("%s at node %d: %v", label, w%2, err)
				}
			}
		})
	}
	wg.Wait()
	for _, n := range y.nodes {
		st := StateOf(t, y.ctx, n, "s1")
		same(t, "documents", st.Documents, []hub.Document{
			{Name: doc1, ID: id1, Heads: sorted("a9", "c9", "e9")}, {Name: doc2, ID: id2, Heads: sorted("b9", "d9", "f9")},
		})
		for _, doc := range []string{doc1, doc2} {
			same(t, "heads of "+doc, headsOf(st.Changes[doc]), st.Documents[slices.IndexFunc(st.Documents, func(d hub.Document) bool { return d.Name == doc })].Heads)
			if len(st.Changes[doc]) != writers/2*length {
				t.Errorf("%s holds %d changes", doc, len(st.Changes[doc]))
			}
		}
	}
	// A repeat is no batch that was stored.
	y.setWake(t, "s1", writers*length, 1, true)
}

// oneWins gives one entry id, one number and one actor to two changes at a
// time: one is stored, the other refused with the reason.
func (y *shared) oneWins(t *testing.T) {
	for _, c := range []struct {
		code        string
		left, right hub.StoredChange
	}{
		{hub.StoreTaken, entry(one("a1"), "01A"), entry(one("b1"), "01A")},
		{hub.StoreSeq, one("c1"), with(one("c1"), func(c *hub.StoredChange) { c.Hash = hashOf("other c1") })},
		{hub.StoreActor, one("d1"), with(one("d2"), func(c *hub.StoredChange) { c.Device = "d2" })},
	} {
		var errs [2]error
		var wg sync.WaitGroup
		for n, change := range []hub.StoredChange{c.left, c.right} {
			wg.Go(func() { errs[n] = y.nodes[n].Append(y.ctx, in1(change)) })
		}
		wg.Wait()
		refusals := 0
		for _, err := range errs {
			if r, ok := errors.AsType[*hub.StoreError](err); ok && r.Code == c.code {
				refusals++
			} else if err != nil {
				t.Errorf("%s: %v", c.code, err)
			}
		}
		if refusals != 1 {
			t.Errorf("%s: %v and %v; want one to be refused", c.code, errs[0], errs[1])
		}
	}
}

func (y *shared) heldOrStored(t *testing.T) {
	for i := range 9 {
		c := one(fmt.Sprintf("a%d", i+1))
		var wg sync.WaitGroup
		wg.Go(func() {
			if err := y.nodes[0].Append(y.ctx, in1(c)); err != nil {
				t.Errorf("%v", err)
			}
		})
		wg.Go(func() {
			h := hub.HeldChange{Doc: doc1, DocID: id1, Hash: c.Hash, Bytes: c.Bytes, AuthorDevice: "d1", Via: "d2", Code: "dev", At: 1}
			if err := y.nodes[1].Hold(y.ctx, "s1", []hub.HeldChange{h}); err != nil {
				t.Errorf("%v", err)
			}
		})
		wg.Wait()
		if st := StateOf(t, y.ctx, y.nodes[0], "s1"); len(st.Held[doc1]) != 0 || len(st.Changes[doc1]) != i+1 {
			t.Fatalf("%d changes stored, %d held", len(st.Changes[doc1]), len(st.Held[doc1]))
		}
	}
}

// revokedMeanwhile counts what is there when a revocation was answered, and
// again when all writers have given up: nothing was added.
func (y *shared) revokedMeanwhile(t *testing.T) {
	begun := make(chan struct{}, 4)
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			for seq := uint64(1); ; seq++ {
				c := hub.StoredChange{Hash: hashOf(fmt.Sprintf("%d/%d", w, seq)), Actor: one(fmt.Sprintf("%c1", 'a'+w)).Actor, Seq: seq, Device: "d1"}
				err := y.nodes[w%2].Append(y.ctx, in1(c))
				if seq == 3 {
					begun <- struct{}{}
				}
				if r, ok := errors.AsType[*hub.StoreError](err); ok && r.Code == hub.StoreRevoked {
					if seq <= 3 {
						t.Errorf("writer %d was refused too early", w)
					}
					return
				} else if err != nil {
					t.Errorf("writer %d: %v", w, err)
					return
				}
			}
		})
	}
	for range cap(begun) {
		<-begun
	}
	y.Revoke(t, "s1", "d1", 7)
	stored, _, err := y.nodes[1].Load(y.ctx, "s1", doc1)
	if err != nil {
		t.Fatal(err)
	}
	wg.Wait()
	after, _, err := y.nodes[1].Load(y.ctx, "s1", doc1)
	if err != nil {
		t.Fatal(err)
	}
	if len(after) != len(stored) {
		t.Errorf("%d changes when the revocation was answered, %d later", len(stored), len(after))
	}
}
