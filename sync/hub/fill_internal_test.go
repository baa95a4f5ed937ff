package hub

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
	"gatewright/sync/graph"
)

// tenThousand is a month of so many entries by ten actors, with merges, in no
// order.
func tenThousand(tb testing.TB) (stored []StoredChange) {
	tb.Helper()
	random := rand.New(rand.NewPCG(3, 3))
	type actor struct {
		name    change.Actor
		seq, op uint64
		heads   []change.Hash
	}
	actors := make([]*actor, 10)
	for i := range actors {
		actors[i] = &actor{name: change.Actor(fmt.Sprintf("actor %010d", i)), op: 1}
	}
	for i := range 10_000 {
		a := actors[random.IntN(len(actors))]
		if o := actors[random.IntN(len(actors))]; o != a && len(o.heads) == 1 && len(a.heads) == 1 && random.IntN(3) == 0 {
			a.heads, a.op = append(a.heads, o.heads...), max(a.op, o.op)
		}
		id := string(logbook.NewEntryID(1_790_812_800_000+int64(i)*200_000, [10]byte{byte(i), byte(i >> 8)}))
		a.seq++
		c, err := change.NewLogChange(a.name, a.seq, a.op, a.heads, 0, id, fmt.Sprintf(
			`{"at":1790812800000,"by":"p000000001","check":"e05","dev":"d000000001","id":%q,"kind":"tick","off":0,"v":1}`, id))
		if err != nil {
			tb.Fatal(err)
		}
		a.op, a.heads = c.MaxOp()+1, []change.Hash{c.Hash}
		stored = append(stored, StoredChange{Hash: c.Hash, Actor: c.Actor, Seq: c.Seq, Deps: c.Deps, Bytes: c.Bytes, Device: "d000000001",
			Entries: []EntryRow{{ID: id, Person: "p000000001"}}})
	}
	random.Shuffle(len(stored), func(i, j int) { stored[i], stored[j] = stored[j], stored[i] })
	return stored
}

func filled(tb testing.TB, stored []StoredChange) (*document, []Effect) {
	tb.Helper()
	s, err := NewSite(SiteConfig{Site: "7d444840-9dc0-41d1-b245-5ffdce74fad2", PeerID: "p", StorageID: "s", Actor: "server actor 0001"})
	if err != nil {
		tb.Fatal(err)
	}
	d := s.document("log/2026-10")
	d.g, d.last, d.persons = graph.New(), map[change.Actor]mark{}, map[logbook.EntryID]string{}
	s.fill(d, stored)
	return d, s.out
}

// A stored change that is damaged is never served: it is left out with what
// depends on it, whatever its row says, and the rest is there.
func TestDamageIsNotServed(t *testing.T) {
	whole := tenThousand(t)
	if d, effects := filled(t, whole); d.g.Len() != len(whole) || len(effects) > 0 {
		t.Fatalf("%d of %d changes, %v", d.g.Len(), len(whole), effects)
	}
	depend := map[change.Hash]bool{whole[0].Hash: true}
	for again := true; again; {
		again = false
		for _, c := range whole {
			if !depend[c.Hash] && slices.ContainsFunc(c.Deps, func(h change.Hash) bool { return depend[h] }) {
				depend[c.Hash], again = true, true
			}
		}
	}
	for name, damage := range map[string]func(c *StoredChange){
		"a bit":                  func(c *StoredChange) { c.Bytes[len(c.Bytes)-1] ^= 1 },
		"a bit of the checksum":  func(c *StoredChange) { c.Bytes[5] ^= 1 },
		"no bytes":               func(c *StoredChange) { c.Bytes = nil },
		"the hash":               func(c *StoredChange) { c.Hash[0] ^= 1 },
		"another change's bytes": func(c *StoredChange) { c.Bytes = whole[1].Bytes },
	} {
		list := slices.Clone(whole)
		list[0].Bytes = slices.Clone(list[0].Bytes)
		damage(&list[0])
		d, effects := filled(t, list)
		if want := len(whole) - len(depend); d.g.Len() != want || len(effects) != len(depend) {
			t.Errorf("%s: %d changes and %d effects, want %d and %d", name, d.g.Len(), len(effects), want, len(depend))
		}
		for _, e := range effects {
			if _, ok := e.(Trouble); !ok {
				t.Fatalf("%s: %v", name, e)
			}
		}
	}
}

// BenchmarkFill puts a month of 10,000 stored entries into memory.
func BenchmarkFill(b *testing.B) {
	stored := tenThousand(b)
	b.ReportAllocs()
	for b.Loop() {
		if d, _ := filled(b, stored); d.g.Len() != len(stored) {
			b.Fatal(d.g.Len())
		}
	}
}
