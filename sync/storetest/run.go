package storetest

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// Run checks each promise of hub.Store on stores that open gives.
func Run(t *testing.T, open func(t *testing.T) Backend) {
	for _, c := range []struct {
		name string
		test func(y *yard, t *testing.T)
	}{
		{"what is stored comes back", (*yard).comesBack},
		{"nothing is there at first", (*yard).nothingAtFirst},
		{"a repeat is no error and changes nothing", (*yard).repeat},
		{"a refused batch leaves no trace", (*yard).refused},
		{"the order inside a batch is free", (*yard).anyOrder},
		{"heads", (*yard).heads},
		{"sites do not mix", (*yard).sitesApart},
		{"a document id has one name", (*yard).documentNames},
		{"revocation", (*yard).revocation},
		{"held changes wait until they are stored", (*yard).held},
		{"quarantine", (*yard).quarantine},
		{"authors", (*yard).authors},
		{"a context that has ended", (*yard).ended},
		{"many at once", (*yard).manyAtOnce},
		{"callers keep their memory", (*yard).ownMemory},
		{"packing", (*yard).packing},
		{"packing beside writers", (*yard).packingBesideWriters},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := &yard{Backend: open(t), ctx: t.Context()}
			y.PutSite(t, "s1")
			y.PutSite(t, "s2")
			for _, d := range []string{"d1", "d2", "d3"} {
				y.PutDevice(t, "s1", admit.Author{Device: d})
			}
			y.PutDevice(t, "s2", admit.Author{Device: "d9"})
			c.test(y, t)
		})
	}
}

// yard is a store with two sites and some devices.
type yard struct {
	Backend
	ctx context.Context
}

const (
	doc1, id1 = "log/2026-03", "doc-1"
	doc2, id2 = "log/2026-04", "doc-2"
)

func hashOf(label string) change.Hash { return sha256.Sum256([]byte(label)) }

// one is a change by device d1 with the actor and number in its label, such as
// "a1".
func one(label string, deps ...string) hub.StoredChange {
	c := hub.StoredChange{
		Hash:       hashOf(label),
		Actor:      change.Actor(label[:1]),
		Seq:        uint64(label[1] - '0'),
		Bytes:      []byte("bytes of " + label),
		ReceivedAt: 1000,
		Device:     "d1",
	}
	for _, d := range deps {
		c.Deps = append(c.Deps, hashOf(d))
	}
	return c
}

func with(c hub.StoredChange, f func(*hub.StoredChange)) hub.StoredChange {
	f(&c)
	return c
}

func entry(c hub.StoredChange, ids ...string) hub.StoredChange {
	for _, id := range ids {
		c.Entries = append(c.Entries, hub.EntryRow{ID: id, Person: "p1"})
	}
	return c
}

func in1(changes ...hub.StoredChange) hub.Batch {
	return hub.Batch{Site: "s1", Doc: doc1, DocID: id1, Changes: changes, Now: 5000}
}

func (y *yard) mustAppend(t *testing.T, b hub.Batch) {
	t.Helper()
	if err := y.Store.Append(y.ctx, b); err != nil {
		t.Fatalf("Append: %v", err)
	}
}

func (y *yard) state(t *testing.T, site string) State {
	t.Helper()
	return StateOf(t, y.ctx, y.Store, site, doc1, doc2)
}

func wantCode(t *testing.T, err error, code string, h change.Hash, entry string) {
	t.Helper()
	refused, ok := errors.AsType[*hub.StoreError](err)
	if !ok {
		t.Fatalf("got %v, want a refusal %q", err, code)
	}
	same(t, "refusal", *refused, hub.StoreError{Code: code, Hash: h, Entry: entry})
	if refused.Error() == "" || refused.Error() == "refused: "+code {
		t.Fatalf("code %q has no sentence", code)
	}
}

func (y *yard) comesBack(t *testing.T) {
	first := entry(with(one("a1"), func(c *hub.StoredChange) { c.Via = "d2" }), "01B", "01A")
	second := with(one("a2", "a1"), func(c *hub.StoredChange) { c.ReceivedAt = 2000; c.Actor = "a" })
	server := with(one("s1"), func(c *hub.StoredChange) { c.Device = admit.ServerDevice; c.Actor = "\x00\xff" })
	y.mustAppend(t, in1(first, server))
	y.mustAppend(t, hub.Batch{Site: "s1", Doc: doc1, DocID: id1, Changes: []hub.StoredChange{second}, Now: 6000})

	first.Entries = []hub.EntryRow{{ID: "01A", Person: "p1"}, {ID: "01B", Person: "p1"}}
	want := []hub.StoredChange{first, second, server}
	slices.SortFunc(want, func(a, b hub.StoredChange) int { return a.Hash.Compare(b.Hash) })
	check := func() {
		t.Helper()
		st := y.state(t, "s1")
		same(t, "changes", st.Changes[doc1], want)
		same(t, "documents", st.Documents, []hub.Document{{Name: doc1, ID: id1, Heads: sorted("a2", "s1")}})
		same(t, "actors", st.Actors, map[change.Actor]string{"a": "d1", "\x00\xff": admit.ServerDevice})
		if at, ok := y.Wake(t, "s1"); !ok || at != 6000 {
			t.Fatalf("wake instant %d, %v; want 6000", at, ok)
		}
	}
	check()
	if y.Reopen != nil {
		y.Store = y.Reopen(t)
		check()
	}
}

func (y *yard) nothingAtFirst(t *testing.T) {
	same(t, "state", y.state(t, "s1"), State{
		Changes: map[string][]hub.StoredChange{doc1: nil, doc2: nil},
		Held:    map[string][]hub.HeldChange{doc1: nil, doc2: nil},
	})
	if _, ok := y.Wake(t, "s1"); ok {
		t.Fatalf("a new site has a wake instant")
	}
	y.mustAppend(t, in1()) // no changes: no document either
	same(t, "documents", y.state(t, "s1").Documents, []hub.Document(nil))
	same(t, "an unknown site", StateOf(t, y.ctx, y.Store, "nowhere").Documents, []hub.Document(nil))
	wantCode(t, y.Store.Append(y.ctx, hub.Batch{Site: "nowhere", Doc: doc1, DocID: "x", Changes: []hub.StoredChange{one("a1")}}), hub.StoreSite, change.Hash{}, "")
	wantCode(t, y.Store.Unhold(y.ctx, "nowhere", "x", nil), hub.StoreSite, change.Hash{}, "")
	wantCode(t, y.Store.Hold(y.ctx, "nowhere", []hub.HeldChange{{DocID: "x"}}), hub.StoreSite, change.Hash{}, "")
	wantCode(t, y.Store.Quarantine(y.ctx, "nowhere", []hub.Quarantined{{ID: "q"}}), hub.StoreSite, change.Hash{}, "")
}

func (y *yard) repeat(t *testing.T) {
	c := entry(one("a1"), "01A")
	y.mustAppend(t, in1(c, c)) // also inside a batch
	before := y.state(t, "s1")
	again := with(c, func(c *hub.StoredChange) { c.ReceivedAt = 9; c.Device = "d2"; c.Entries = nil })
	y.mustAppend(t, hub.Batch{Site: "s1", Doc: doc1, DocID: id1, Changes: []hub.StoredChange{again}, Now: 7000})
	same(t, "state after a repeat", y.state(t, "s1"), before)
	if at, _ := y.Wake(t, "s1"); at != 5000 {
		t.Fatalf("a repeat moved the wake instant to %d", at)
	}
	// A repeat beside something new takes nothing away from it.
	y.mustAppend(t, in1(c, one("a2", "a1")))
	same(t, "heads", y.state(t, "s1").Documents[0].Heads, sorted("a2"))
}

func (y *yard) refused(t *testing.T) {
	y.mustAppend(t, in1(entry(one("a1"), "01A")))
	before := y.state(t, "s1")
	good := func(label string) hub.StoredChange { return entry(one(label, "a1"), "fresh-"+label) }
	for _, c := range []struct {
		name, code, entry string
		bad               hub.StoredChange
		doc, id           string
	}{
		{name: "number in use", code: hub.StoreSeq, bad: with(one("a1", "a1"), func(c *hub.StoredChange) { c.Hash = hashOf("other") })},
		{name: "number used in the batch", code: hub.StoreSeq, bad: with(good("b2"), func(c *hub.StoredChange) { c.Hash = hashOf("other"); c.Entries = nil })},
		{name: "number past the largest", code: hub.StoreSeq, bad: with(one("e1"), func(c *hub.StoredChange) { c.Seq = 1 << 63 })},
		{name: "actor of another device", code: hub.StoreActor, bad: with(one("a2", "a1"), func(c *hub.StoredChange) { c.Device = "d2" })},
		{name: "actor of another device, in another document", code: hub.StoreActor, bad: with(one("a2"), func(c *hub.StoredChange) { c.Device = "d2" }), doc: doc2, id: id2},
		{name: "actor of another device in the batch", code: hub.StoreActor, bad: with(one("b3"), func(c *hub.StoredChange) { c.Device = "d2" })},
		{name: "entry in use", code: hub.StoreTaken, entry: "01A", bad: entry(one("c1"), "01X", "01A", "01Y")},
		{name: "entry in use in another document", code: hub.StoreTaken, entry: "01A", bad: entry(one("c1"), "01A"), doc: doc2, id: id2},
		{name: "entry used in the batch", code: hub.StoreTaken, entry: "fresh-b2", bad: entry(one("c1"), "fresh-b2")},
		{name: "entry twice in a change", code: hub.StoreTaken, entry: "01X", bad: entry(one("c1"), "01X", "01X")},
		{name: "dependency missing", code: hub.StoreDeps, bad: one("c1", "a1", "never")},
		{name: "device unknown", code: hub.StoreDevice, bad: with(one("c1"), func(c *hub.StoredChange) { c.Device = "nobody" })},
		{name: "device of another site", code: hub.StoreDevice, bad: with(one("c1"), func(c *hub.StoredChange) { c.Device = "d9" })},
		{name: "device unknown that brings it", code: hub.StoreDevice, bad: with(one("c1"), func(c *hub.StoredChange) { c.Via = "nobody" })},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := in1(good("b2"), c.bad, with(good("d1"), func(c *hub.StoredChange) { c.Deps = nil }))
			b.Now = 8000
			if c.doc != "" {
				b.Doc, b.DocID = c.doc, c.id
				b.Changes[0].Deps = nil
			}
			if err := y.Store.Hold(y.ctx, "s1", []hub.HeldChange{{Doc: b.Doc, DocID: b.DocID, Hash: b.Changes[0].Hash}}); err != nil {
				t.Fatal(err)
			}
			want := y.state(t, "s1")
			wantCode(t, y.Store.Append(y.ctx, b), c.code, c.bad.Hash, c.entry)
			same(t, "state after a refusal", y.state(t, "s1"), want)
			if at, _ := y.Wake(t, "s1"); at != 5000 {
				t.Fatalf("a refused batch moved the wake instant to %d", at)
			}
		})
	}
	// Nothing of it was used up: the good ones go in by themselves.
	y.mustAppend(t, in1(good("b2"), good("d1"), entry(one("c1"), "01X", "01Y")))
	if n := len(y.state(t, "s1").Changes[doc1]); n != len(before.Changes[doc1])+3 {
		t.Fatalf("%d changes", n)
	}
}

func (y *yard) anyOrder(t *testing.T) {
	y.mustAppend(t, in1(one("a3", "a2"), one("a1"), one("a2", "a1")))
	same(t, "heads", y.state(t, "s1").Documents[0].Heads, sorted("a3"))
}

func (y *yard) heads(t *testing.T) {
	for _, step := range []struct {
		add  []hub.StoredChange
		want []change.Hash
	}{
		{[]hub.StoredChange{one("a1")}, sorted("a1")},
		{[]hub.StoredChange{one("b1")}, sorted("a1", "b1")},
		{[]hub.StoredChange{one("a2", "a1"), one("a3", "a2")}, sorted("a3", "b1")},
		{[]hub.StoredChange{one("c1", "a1")}, sorted("a3", "b1", "c1")},
		{[]hub.StoredChange{one("b2", "a3", "b1", "c1")}, sorted("b2")},
	} {
		y.mustAppend(t, in1(step.add...))
		same(t, "documents", y.state(t, "s1").Documents, []hub.Document{{Name: doc1, ID: id1, Heads: step.want}})
	}
	y.mustAppend(t, hub.Batch{Site: "s1", Doc: doc2, DocID: id2, Changes: []hub.StoredChange{one("a4")}})
	same(t, "documents", y.state(t, "s1").Documents, []hub.Document{
		{Name: doc1, ID: id1, Heads: sorted("b2")}, {Name: doc2, ID: id2, Heads: sorted("a4")},
	})
}

func (y *yard) sitesApart(t *testing.T) {
	y.mustAppend(t, in1(entry(one("a1"), "01A")))
	other := entry(with(one("a1"), func(c *hub.StoredChange) { c.Device = "d9" }), "01A")
	y.mustAppend(t, hub.Batch{Site: "s2", Doc: doc1, DocID: "other-site", Changes: []hub.StoredChange{other}, Now: 1})
	same(t, "documents", y.state(t, "s2").Documents, []hub.Document{{Name: doc1, ID: "other-site", Heads: sorted("a1")}})
	same(t, "actors", y.state(t, "s2").Actors, map[change.Actor]string{"a": "d9"})
	if at, _ := y.Wake(t, "s1"); at != 5000 {
		t.Fatalf("the other site's wake instant became %d", at)
	}
}

func (y *yard) documentNames(t *testing.T) {
	y.mustAppend(t, in1(one("a1")))
	before := y.state(t, "s1")
	for _, b := range []hub.Batch{
		{Site: "s1", Doc: doc2, DocID: id1, Changes: []hub.StoredChange{one("a2")}},
		{Site: "s1", Doc: doc1, DocID: id2, Changes: []hub.StoredChange{one("a2")}},
		{Site: "s2", Doc: doc1, DocID: id1, Changes: []hub.StoredChange{with(one("a2"), func(c *hub.StoredChange) { c.Device = "d9" })}},
	} {
		if err := y.Store.Append(y.ctx, b); err == nil {
			t.Fatalf("%s, %s at %s: accepted", b.Doc, b.DocID, b.Site)
		}
	}
	same(t, "state", y.state(t, "s1"), before)
	same(t, "the other site", y.state(t, "s2").Documents, []hub.Document(nil))
}

func (y *yard) revocation(t *testing.T) {
	y.mustAppend(t, in1(one("a1")))
	y.Revoke(t, "s1", "d1", 42)
	wantCode(t, y.Store.Append(y.ctx, in1(one("a2", "a1"))), hub.StoreRevoked, hashOf("a2"), "")
	// What it wrote may still come by way of another device; what it brings of
	// others may not.
	y.mustAppend(t, in1(with(one("a2", "a1"), func(c *hub.StoredChange) { c.Via = "d2" })))
	brought := with(one("b1"), func(c *hub.StoredChange) { c.Device = "d2"; c.Via = "d1" })
	wantCode(t, y.Store.Append(y.ctx, in1(brought)), hub.StoreRevoked, hashOf("b1"), "")
	y.mustAppend(t, in1(one("a1"))) // a repeat, as after an answer that was lost
	author, ok, err := y.Store.AuthorOf(y.ctx, "s1", "d1")
	if err != nil || !ok || author.Revoked != 42 {
		t.Fatalf("AuthorOf a revoked device: %+v, %v, %v", author, ok, err)
	}
}

func (y *yard) held(t *testing.T) {
	waiting := func(label string) hub.HeldChange {
		return hub.HeldChange{Doc: doc1, DocID: id1, Hash: hashOf(label), Bytes: []byte(label), AuthorDevice: "d2", Via: "d1", Code: "dev", At: 77}
	}
	hold := func(list ...hub.HeldChange) {
		t.Helper()
		if err := y.Store.Hold(y.ctx, "s1", list); err != nil {
			t.Fatalf("Hold: %v", err)
		}
	}
	first := waiting("b1")
	hold(first, waiting("b2"))
	hold(with2(first, func(h *hub.HeldChange) { h.Code = "later"; h.At = 99 })) // the first word stays
	elsewhere := with2(first, func(h *hub.HeldChange) { h.Doc, h.DocID = doc2, id2 })
	hold(elsewhere)
	same(t, "documents", y.state(t, "s1").Documents, []hub.Document(nil)) // held is not stored
	want := []hub.HeldChange{first, waiting("b2")}
	slices.SortFunc(want, func(a, b hub.HeldChange) int { return a.Hash.Compare(b.Hash) })
	same(t, "held", y.state(t, "s1").Held, map[string][]hub.HeldChange{doc1: want, doc2: {elsewhere}})
	same(t, "held at the other site", y.state(t, "s2").Held[doc1], []hub.HeldChange(nil))
	names, err := y.Store.HeldDocuments(y.ctx, "s1")
	if err != nil {
		t.Fatalf("HeldDocuments: %v", err)
	}
	byName := []string{doc1, doc2}
	slices.Sort(byName)
	same(t, "documents with held changes", names, byName)
	if names, err = y.Store.HeldDocuments(y.ctx, "s2"); err != nil || len(names) > 0 {
		t.Fatalf("HeldDocuments of the other site: %v, %v", names, err)
	}

	b1 := with(one("b1"), func(c *hub.StoredChange) { c.Device = "d2"; c.Via = "d1" })
	y.mustAppend(t, in1(b1))
	check := func() {
		t.Helper()
		same(t, "held", y.state(t, "s1").Held, map[string][]hub.HeldChange{doc1: {waiting("b2")}, doc2: {elsewhere}})
	}
	check()
	hold(first) // too late: it is stored
	check()
	unhold := func(site, id string, labels ...string) {
		t.Helper()
		var hashes []change.Hash
		for _, label := range labels {
			hashes = append(hashes, hashOf(label))
		}
		if err := y.Store.Unhold(y.ctx, site, id, hashes); err != nil {
			t.Fatalf("Unhold: %v", err)
		}
	}
	unhold("s1", id2, "b2")       // of another document
	unhold("s2", id1, "b2")       // of another site
	unhold("s1", id1, "b1", "b9") // stored, and never held
	check()
	hold(waiting("b3"), waiting("b4"))
	unhold("s1", id1, "b3", "b4")
	check()
	if y.Reopen != nil {
		y.Store = y.Reopen(t)
		check()
	}
}

func with2(h hub.HeldChange, f func(*hub.HeldChange)) hub.HeldChange {
	f(&h)
	return h
}

func (y *yard) quarantine(t *testing.T) {
	full := hub.Quarantined{
		ID: "q1", Doc: doc1, Hash: hashOf("a1"), Device: "d1", Person: "p1", Code: "rights", Reason: "a viewer may not write a tick",
		Bytes: []byte{0, 1, 255}, Entries: []string{`{"id":"01A","note":"ünïcode \"quoted\""}`, ""}, At: 7,
	}
	bare := hub.Quarantined{ID: "q2"}
	hostile := hub.Quarantined{ID: "q3", Code: "entry", Reason: "\x00 and \xff: no such field", Entries: []string{"\x00"}}
	for range 2 {
		if err := y.Store.Quarantine(y.ctx, "s1", []hub.Quarantined{full, bare, hostile}); err != nil {
			t.Fatalf("Quarantine: %v", err)
		}
	}
	if err := y.Store.Quarantine(y.ctx, "s1", []hub.Quarantined{{ID: "q1", Code: "other"}}); err != nil {
		t.Fatalf("Quarantine: %v", err)
	}
	got := y.Quarantined(t, "s1")
	slices.SortFunc(got, func(a, b hub.Quarantined) int { return cmp.Compare(a.ID, b.ID) })
	hostile.Reason = "\uFFFD and \uFFFD: no such field"
	same(t, "quarantine", got, []hub.Quarantined{full, bare, hostile})
	same(t, "quarantine of the other site", y.Quarantined(t, "s2"), []hub.Quarantined(nil))
}

func (y *yard) authors(t *testing.T) {
	want := admit.Author{Device: "d7", Relay: true, People: []admit.Person{
		{ID: "pa", Role: "crew", From: 5, Until: 9},
		{ID: "pa", Role: "manager", From: 9, Gates: []string{"east", "west"}, Doings: []string{"tick"}},
		{ID: "pb", Role: "viewer", From: 1, Until: 2},
	}}
	shuffled := want
	shuffled.People = []admit.Person{want.People[2], want.People[1], want.People[0]}
	y.PutDevice(t, "s1", shuffled)
	for _, c := range []struct {
		site, device string
		want         admit.Author
		ok           bool
	}{
		{"s1", "d7", want, true},
		{"s1", "d1", admit.Author{Device: "d1"}, true},
		{"s1", admit.ServerDevice, admit.Author{Device: admit.ServerDevice, Server: true}, true},
		{"s2", "d7", admit.Author{}, false},
		{"s1", "", admit.Author{}, false},
		{"nowhere", "d7", admit.Author{}, false},
	} {
		got, ok, err := y.Store.AuthorOf(y.ctx, c.site, c.device)
		if err != nil || ok != c.ok {
			t.Fatalf("AuthorOf %s at %s: %v, %v", c.device, c.site, ok, err)
		}
		same(t, "author "+c.device+" at "+c.site, got, c.want)
	}
}

func (y *yard) ended(t *testing.T) {
	ctx, cancel := context.WithCancel(y.ctx)
	cancel()
	for name, err := range map[string]error{
		"Append":     y.Store.Append(ctx, in1(one("a1"))),
		"Hold":       y.Store.Hold(ctx, "s1", []hub.HeldChange{{Doc: doc1, DocID: id1, Hash: hashOf("b1")}}),
		"Unhold":     y.Store.Unhold(ctx, "s1", id1, []change.Hash{hashOf("b1")}),
		"Quarantine": y.Store.Quarantine(ctx, "s1", []hub.Quarantined{{ID: "q"}}),
		"Load":       func() error { _, _, err := y.Store.Load(ctx, "s1", doc1); return err }(),
		"Documents":  func() error { _, err := y.Store.Documents(ctx, "s1"); return err }(),
		"AuthorOf":   func() error { _, _, err := y.Store.AuthorOf(ctx, "s1", "d1"); return err }(),
	} {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", name, err)
		}
	}
	st := y.state(t, "s1")
	same(t, "documents", st.Documents, []hub.Document(nil))
	same(t, "held", st.Held[doc1], []hub.HeldChange(nil))
	same(t, "quarantine", y.Quarantined(t, "s1"), []hub.Quarantined(nil))
}

// manyAtOnce has writers of several documents, each a chain, each with a batch
// in the middle that must be refused.
func (y *yard) manyAtOnce(t *testing.T) {
	const writers, length = 8, 9
	var wg sync.WaitGroup
	errs := make(chan error, writers*length)
	for w := range writers {
		wg.Go(func() {
			for i := 1; i <= length; i++ {
				label := fmt.Sprintf("%c%d", 'a'+w, i)
				c := entry(one(label), label)
				if i > 1 {
					c.Deps = []change.Hash{hashOf(fmt.Sprintf("%c%d", 'a'+w, i-1))}
				}
				b := in1(c)
				if w%2 == 1 {
					b.Doc, b.DocID = doc2, id2
				}
				if i == 5 {
					bad := b
					bad.Changes = []hub.StoredChange{c, entry(with(c, func(c *hub.StoredChange) { c.Seq = 99; c.Hash = hashOf("x" + label) }), label)}
					if r, ok := errors.AsType[*hub.StoreError](y.Store.Append(y.ctx, bad)); !ok || r.Code != hub.StoreTaken {
						errs <- fmt.Errorf("%s: a bad batch got %v", label, r)
					}
				}
				if err := y.Store.Append(y.ctx, b); err != nil {
					errs <- fmt.Errorf("%s: %w", label, err)
				}
			}
		})
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		t.Error(err)
	}
	st := y.state(t, "s1")
	same(t, "documents", st.Documents, []hub.Document{
		{Name: doc1, ID: id1, Heads: sorted("a9", "c9", "e9", "g9")},
		{Name: doc2, ID: id2, Heads: sorted("b9", "d9", "f9", "h9")},
	})
	for _, doc := range []string{doc1, doc2} {
		if n := len(st.Changes[doc]); n != writers/2*length {
			t.Errorf("%s holds %d changes", doc, n)
		}
	}
}

func (y *yard) ownMemory(t *testing.T) {
	c := entry(one("a1"), "01A")
	y.mustAppend(t, in1(c))
	before := y.state(t, "s1")
	c.Bytes[0] ^= 1
	c.Entries[0].ID = "changed"
	got := y.state(t, "s1")
	same(t, "state", got, before)
	got.Changes[doc1][0].Bytes[0] ^= 1
	same(t, "state", y.state(t, "s1"), before)
}

func sorted(labels ...string) []change.Hash {
	var list []change.Hash
	for _, l := range labels {
		list = append(list, hashOf(l))
	}
	slices.SortFunc(list, change.Hash.Compare)
	return list
}

// List is how a grant's limits stand in the database: a JSON list, or nothing.
func List(texts []string) any {
	if len(texts) == 0 {
		return nil
	}
	b, err := json.Marshal(texts)
	if err != nil {
		panic(err) // of texts: it cannot fail
	}
	return string(b)
}
