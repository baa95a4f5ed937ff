package pack_test

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"testing"

	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/pack"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// month draws changes with forks and merges, in no order.
func month(t *rapid.T) []hub.StoredChange {
	var list []hub.StoredChange
	for i := range rapid.IntRange(0, 30).Draw(t, "changes") {
		c := hub.StoredChange{
			Hash:       change.Hash{rapid.Byte().Draw(t, "hash"), byte(i)},
			Actor:      change.Actor(rapid.StringN(0, 5, 16).Draw(t, "actor")),
			Seq:        rapid.Uint64().Draw(t, "seq"),
			Bytes:      rapid.SliceOfN(rapid.Byte(), 1, 200).Draw(t, "bytes"),
			ReceivedAt: rapid.Int64().Draw(t, "at"),
			Device:     rapid.String().Draw(t, "device"),
			Via:        rapid.String().Draw(t, "via"),
		}
		for range rapid.IntRange(0, 3).Draw(t, "deps") {
			if i > 0 {
				c.Deps = append(c.Deps, list[rapid.IntRange(0, i-1).Draw(t, "dep")].Hash)
			}
		}
		slices.SortFunc(c.Deps, change.Hash.Compare)
		c.Deps = slices.Compact(c.Deps)
		for e := range rapid.IntRange(0, 3).Draw(t, "entries") {
			c.Entries = append(c.Entries, hub.EntryRow{ID: fmt.Sprintf("%d-%d", i, e), Person: rapid.String().Draw(t, "person")})
		}
		list = append(list, c)
	}
	return rapid.Permutation(list).Draw(t, "order")
}

func sorted(list []hub.StoredChange) []hub.StoredChange {
	list = slices.Clone(list)
	slices.SortFunc(list, func(a, b hub.StoredChange) int { return a.Hash.Compare(b.Hash) })
	return list
}

// What goes in comes out, each change behind its dependencies, and the order
// in which it went in does not show.
func TestGivesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := month(t)
		p, err := pack.Encode(list)
		if err != nil {
			t.Fatal(err)
		}
		got, err := pack.Decode(p, pack.Digest(p))
		if err != nil {
			t.Fatal(err)
		}
		seen := map[change.Hash]bool{}
		for _, c := range got {
			for _, d := range c.Deps {
				if !seen[d] {
					t.Fatalf("%s stands before %s, which it depends on", c.Hash, d)
				}
			}
			seen[c.Hash] = true
		}
		if d := cmp.Diff(sorted(list), sorted(got), cmpopts.EquateEmpty()); d != "" {
			t.Fatal(d)
		}
		again, err := pack.Encode(rapid.Permutation(list).Draw(t, "other order"))
		if err != nil || !bytes.Equal(p, again) {
			t.Fatalf("another order gives another pack (%v)", err)
		}
	})
}

// chain is n changes, each depending on the one before.
func chain(n int) (list []hub.StoredChange) {
	for i := range n {
		c := hub.StoredChange{Hash: change.Hash{byte(i), 7}, Actor: "a", Seq: uint64(i + 1), Bytes: fmt.Appendf(nil, "bytes of change %d", i*i*12345), Device: "d"}
		if i > 0 {
			c.Deps = []change.Hash{list[i-1].Hash}
		}
		list = append(list, c)
	}
	return list
}

// Any one bit that is not as it was is found, and reading goes no further than
// the bytes reach.
func TestDamage(t *testing.T) {
	p, err := pack.Encode(chain(20))
	if err != nil {
		t.Fatal(err)
	}
	digest := pack.Digest(p)
	for i := range p {
		for bit := range 8 {
			q := bytes.Clone(p)
			q[i] ^= 1 << bit
			if _, err := pack.Decode(q, digest); !errors.Is(err, pack.ErrDamaged) {
				t.Fatalf("bit %d of byte %d: %v", bit, i, err)
			}
		}
	}
	for n := range p {
		if _, err := pack.Decode(p[:n], pack.Digest(p[:n])); !errors.Is(err, pack.ErrDamaged) {
			t.Fatalf("%d bytes of it: %v", n, err)
		}
	}
	half, err := pack.Decode(p[:len(p)/2], digest)
	if !errors.Is(err, pack.ErrDamaged) || len(half) == 0 || len(half) == 20 || !cmp.Equal(half, chain(20)[:len(half)], cmpopts.EquateEmpty()) {
		t.Fatalf("of half a pack came %d changes, %v", len(half), err)
	}
}

func TestRefuses(t *testing.T) {
	list := chain(3)
	loop := chain(2)
	loop[0].Deps = []change.Hash{loop[1].Hash}
	for name, changes := range map[string][]hub.StoredChange{
		"one twice":            {list[0], list[1], list[1]},
		"a dependency missing": {list[0], list[2]},
		"one without bytes":    {{Hash: change.Hash{1}}},
		"a loop":               loop,
	} {
		if _, err := pack.Encode(changes); err == nil {
			t.Errorf("%s: packed", name)
		}
	}
}

func FuzzDecode(f *testing.F) {
	p, err := pack.Encode(chain(5))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(p)
	f.Fuzz(func(t *testing.T, p []byte) {
		list, err := pack.Decode(p, pack.Digest(p))
		if err != nil {
			return
		}
		for _, c := range list {
			if len(c.Bytes) == 0 {
				return // Encode refuses it
			}
		}
		again, err := pack.Encode(list)
		if err != nil {
			return // one twice
		}
		if got, err := pack.Decode(again, pack.Digest(again)); err != nil || !cmp.Equal(sorted(got), sorted(list), cmpopts.EquateEmpty()) {
			t.Fatalf("does not come back: %v", err)
		}
	})
}
