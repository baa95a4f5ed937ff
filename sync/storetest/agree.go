package storetest

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"

	"pgregory.net/rapid"
)

// Agree gives two stores the same random calls and checks that they answer
// alike, hold the same afterwards, and have the heads that a plain reading of
// their changes gives. Each trial uses a site of its own.
func Agree(t *testing.T, a, b Backend) {
	var trial atomic.Int64
	rapid.Check(t, func(t *rapid.T) {
		site := fmt.Sprintf("site-%d", trial.Add(1))
		p := &pair{a: a, b: b, site: site, docs: []string{"plan", "log/2026-03"}}
		for _, s := range []Backend{a, b} {
			s.PutSite(t, site)
			for i := range 3 {
				s.PutDevice(t, site, admit.Author{Device: p.device(i), Relay: i == 2, People: []admit.Person{
					{ID: fmt.Sprintf("%s-p%d", site, i), Role: "crew", From: 1},
				}})
			}
		}
		t.Repeat(map[string]func(*rapid.T){
			"append":     p.append,
			"hold":       p.hold,
			"quarantine": p.quarantine,
			"revoke":     p.revoke,
			"pack":       p.pack,
		})
		p.compare(t)
	})
}

type pair struct {
	a, b Backend
	site string
	docs []string
	seen []hub.StoredChange // every change ever offered
}

func (p *pair) device(i int) string { return fmt.Sprintf("%s-d%d", p.site, i) }

func (p *pair) docID(doc string) string { return p.site + "/" + doc }

// draw gives a change that is often good and sometimes wrong in one way or
// another.
func (p *pair) draw(t *rapid.T) hub.StoredChange {
	if len(p.seen) > 0 && rapid.IntRange(0, 3).Draw(t, "repeat") == 0 {
		return rapid.SampledFrom(p.seen).Draw(t, "seen")
	}
	actor := rapid.IntRange(0, 5).Draw(t, "actor")
	device := actor % 3
	if rapid.IntRange(0, 9).Draw(t, "stray") == 0 {
		device = rapid.IntRange(0, 3).Draw(t, "device") // 3 is nobody's
	}
	c := hub.StoredChange{
		Actor:      change.Actor(fmt.Sprintf("%s-%d", p.site, actor)),
		Seq:        rapid.Uint64Range(1, 12).Draw(t, "seq"),
		ReceivedAt: rapid.Int64Range(0, 9).Draw(t, "at"),
		Device:     p.device(device),
	}
	if device == 0 && rapid.Bool().Draw(t, "server") {
		c.Device = admit.ServerDevice
		c.Actor += "-server"
	}
	if rapid.IntRange(0, 3).Draw(t, "relayed") == 0 {
		c.Via = p.device(rapid.IntRange(0, 3).Draw(t, "via"))
	}
	for range rapid.IntRange(0, 2).Draw(t, "deps") {
		if len(p.seen) > 0 {
			c.Deps = append(c.Deps, rapid.SampledFrom(p.seen).Draw(t, "dep").Hash)
		}
	}
	slices.SortFunc(c.Deps, change.Hash.Compare)
	c.Deps = slices.Compact(c.Deps)
	for range rapid.IntRange(0, 2).Draw(t, "entries") {
		c.Entries = append(c.Entries, hub.EntryRow{ID: fmt.Sprint(rapid.IntRange(0, 40).Draw(t, "entry")), Person: "p"})
	}
	c.Bytes = fmt.Appendf(nil, "%d %s", len(p.seen), c.Actor)
	c.Hash = sha256.Sum256(c.Bytes)
	p.seen = append(p.seen, c)
	return c
}

func (p *pair) append(t *rapid.T) {
	doc := rapid.SampledFrom(p.docs).Draw(t, "doc")
	b := hub.Batch{Site: p.site, Doc: doc, DocID: p.docID(doc), Now: rapid.Int64Range(0, 99).Draw(t, "now")}
	for range rapid.IntRange(0, 4).Draw(t, "changes") {
		b.Changes = append(b.Changes, p.draw(t))
	}
	p.alike(t, func(s hub.Store) error { return s.Append(context.Background(), b) })
}

func (p *pair) hold(t *rapid.T) {
	doc := rapid.SampledFrom(p.docs).Draw(t, "doc")
	c := p.draw(t)
	h := hub.HeldChange{Doc: doc, DocID: p.docID(doc), Hash: c.Hash, Bytes: c.Bytes, AuthorDevice: c.Device, Via: c.Via, Code: "dev", At: c.ReceivedAt}
	p.alike(t, func(s hub.Store) error { return s.Hold(context.Background(), p.site, []hub.HeldChange{h}) })
}

func (p *pair) quarantine(t *rapid.T) {
	q := hub.Quarantined{
		ID: fmt.Sprintf("%s-q%d", p.site, rapid.IntRange(0, 3).Draw(t, "id")), Doc: "plan", Code: rapid.StringN(0, 5, 20).Draw(t, "code"),
		Entries: rapid.SliceOfN(rapid.StringN(0, 5, 20), 0, 2).Draw(t, "entries"),
	}
	p.alike(t, func(s hub.Store) error { return s.Quarantine(context.Background(), p.site, []hub.Quarantined{q}) })
}

// pack packs where that is known: nothing may tell it from what was not packed.
func (p *pair) pack(t *rapid.T) {
	doc := rapid.SampledFrom(p.docs).Draw(t, "doc")
	for _, s := range []Backend{p.a, p.b} {
		if s.Pack != nil {
			s.Pack(t, p.site, doc)
		}
	}
}

func (p *pair) revoke(t *rapid.T) {
	if rapid.IntRange(0, 5).Draw(t, "seldom") > 0 {
		t.Skip("not this time")
	}
	device := p.device(rapid.IntRange(0, 2).Draw(t, "device"))
	p.a.Revoke(t, p.site, device, 5)
	p.b.Revoke(t, p.site, device, 5)
}

// alike makes one call on both and compares the answers.
func (p *pair) alike(t *rapid.T, call func(hub.Store) error) {
	errA, errB := call(p.a.Store), call(p.b.Store)
	refusedA, isA := errors.AsType[*hub.StoreError](errA)
	refusedB, isB := errors.AsType[*hub.StoreError](errB)
	if (errA == nil) != (errB == nil) || isA != isB || isA && *refusedA != *refusedB {
		t.Fatalf("one store says %v, the other %v", errA, errB)
	}
	if errA != nil && !isA {
		t.Fatalf("neither stored nor refused: %v", errA)
	}
}

func (p *pair) compare(t *rapid.T) {
	ctx := context.Background()
	a := StateOf(t, ctx, p.a.Store, p.site, p.docs...)
	same(t, "state", a, StateOf(t, ctx, p.b.Store, p.site, p.docs...))
	for _, d := range a.Documents {
		same(t, "heads of "+d.Name, d.Heads, headsOf(a.Changes[d.Name]))
	}
	wakeA, okA := p.a.Wake(t, p.site)
	wakeB, okB := p.b.Wake(t, p.site)
	if wakeA != wakeB || okA != okB {
		t.Fatalf("wake instants %d, %v and %d, %v", wakeA, okA, wakeB, okB)
	}
	inA, inB := p.a.Quarantined(t, p.site), p.b.Quarantined(t, p.site)
	for _, list := range [][]hub.Quarantined{inA, inB} {
		slices.SortFunc(list, func(a, b hub.Quarantined) int { return cmp.Compare(a.ID, b.ID) })
	}
	same(t, "quarantine", inA, inB)
	for i := range 4 {
		authorA, okA, errA := p.a.Store.AuthorOf(ctx, p.site, p.device(i))
		authorB, okB, errB := p.b.Store.AuthorOf(ctx, p.site, p.device(i))
		if okA != okB || errA != nil || errB != nil {
			t.Fatalf("AuthorOf: %v, %v and %v, %v", okA, errA, okB, errB)
		}
		same(t, "author", authorA, authorB)
	}
}

// headsOf is what heads are: the changes that no other depends on.
func headsOf(changes []hub.StoredChange) []change.Hash {
	inner := map[change.Hash]bool{}
	for _, c := range changes {
		for _, d := range c.Deps {
			inner[d] = true
		}
	}
	var heads []change.Hash
	for _, c := range changes {
		if !inner[c.Hash] {
			heads = append(heads, c.Hash)
		}
	}
	slices.SortFunc(heads, change.Hash.Compare)
	return heads
}
