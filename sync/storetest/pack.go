package storetest

import (
	"context"
	"fmt"
	"sync"
	"testing"

	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// packing shows that a packed document gives the same, and takes and refuses
// the same.
func (y *yard) packing(t *testing.T) {
	if y.Pack == nil {
		t.Skip("this store does not pack")
	}
	pack := func(want bool) {
		t.Helper()
		before := y.state(t, "s1")
		if got := y.Pack(t, "s1", doc1); got != want {
			t.Fatalf("packed: %v, want %v", got, want)
		}
		same(t, "state after packing", y.state(t, "s1"), before)
	}
	pack(false) // there is no such document
	relayed := entry(with(one("b1", "a1"), func(c *hub.StoredChange) { c.Via = "d2"; c.ReceivedAt = -5 }), "01C")
	y.mustAppend(t, in1(entry(one("a1"), "01B", "01A"), one("a2", "a1"), relayed))
	y.mustAppend(t, hub.Batch{Site: "s1", Doc: doc2, DocID: id2, Changes: []hub.StoredChange{one("c1")}, Now: 5000})
	pack(true)
	pack(false) // nothing new since

	// A repeat, in part and whole.
	before := y.state(t, "s1")
	y.mustAppend(t, in1(one("a2", "a1")))
	y.mustAppend(t, in1(entry(one("a1"), "01B", "01A"), relayed))
	same(t, "state after a repeat", y.state(t, "s1"), before)

	// What is refused.
	seq := with(one("a2", "a1"), func(c *hub.StoredChange) { c.Hash = hashOf("other") })
	wantCode(t, y.Store.Append(y.ctx, in1(seq)), hub.StoreSeq, seq.Hash, "")
	actor := with(one("a3", "a2"), func(c *hub.StoredChange) { c.Device = "d2" })
	wantCode(t, y.Store.Append(y.ctx, in1(actor)), hub.StoreActor, actor.Hash, "")
	taken := entry(one("e1"), "01B")
	wantCode(t, y.Store.Append(y.ctx, in1(taken)), hub.StoreTaken, taken.Hash, "01B")
	deps := one("e1", "a1", "never")
	wantCode(t, y.Store.Append(y.ctx, in1(deps)), hub.StoreDeps, deps.Hash, "")
	same(t, "state after refusals", y.state(t, "s1"), before)

	// A late change on top, and one that depends on the middle of the pack;
	// then all of it packed anew.
	y.mustAppend(t, in1(entry(one("a3", "a2", "b1"), "01D"), one("e1", "a1")))
	same(t, "heads", y.state(t, "s1").Documents[0].Heads, sorted("a3", "e1"))
	if n := len(y.state(t, "s1").Changes[doc1]); n != 5 {
		t.Fatalf("%d changes, want 5", n)
	}
	pack(true)
	y.mustAppend(t, in1(one("e2", "e1")))
	held := hub.HeldChange{Doc: doc1, DocID: id1, Hash: hashOf("a3"), Bytes: []byte("x")}
	if err := y.Store.Hold(y.ctx, "s1", []hub.HeldChange{held}); err != nil { // it is stored, though packed
		t.Fatal(err)
	}
	same(t, "held", y.state(t, "s1").Held[doc1], []hub.HeldChange(nil))
	if y.Reopen != nil {
		before := y.state(t, "s1")
		y.Store = y.Reopen(t)
		same(t, "state after opening anew", y.state(t, "s1"), before)
	}
	pack(true)
}

// packingBesideWriters has two nodes pack a document over and over while it is
// read and written to.
func (y *yard) packingBesideWriters(t *testing.T) {
	if y.Pack == nil {
		t.Skip("this store does not pack")
	}
	const writers, length = 3, 9
	ctx, done := context.WithCancel(y.ctx)
	var work, packs sync.WaitGroup
	for w := range writers {
		work.Go(func() {
			for i := 1; i <= length; i++ {
				label := fmt.Sprintf("%c%d", 'a'+w, i)
				c := entry(one(label), label)
				if i > 1 {
					c.Deps = []change.Hash{hashOf(fmt.Sprintf("%c%d", 'a'+w, i-1))}
				}
				if err := y.Store.Append(y.ctx, in1(c)); err != nil {
					t.Errorf("%s: %v", label, err)
				}
				changes, _, err := y.Store.Load(y.ctx, "s1", doc1)
				found := false
				for _, l := range changes {
					if len(l.Bytes) == 0 || len(l.Entries) != 1 {
						t.Errorf("change %d of %s came with %q and %d entries", l.Seq, l.Actor, l.Bytes, len(l.Entries))
					}
					found = found || l.Hash == c.Hash
				}
				if err != nil || !found {
					t.Errorf("%s is not among %d changes after it was stored (%v)", label, len(changes), err)
				}
			}
		})
	}
	for range 2 {
		packs.Go(func() {
			for ctx.Err() == nil {
				y.Pack(t, "s1", doc1)
			}
		})
	}
	work.Wait()
	done()
	packs.Wait()
	st := y.state(t, "s1")
	if n := len(st.Changes[doc1]); n != writers*length {
		t.Fatalf("%d changes, want %d", n, writers*length)
	}
	same(t, "heads", st.Documents[0].Heads, sorted("a9", "b9", "c9"))
	y.Pack(t, "s1", doc1)
	same(t, "state", y.state(t, "s1"), st)
}
