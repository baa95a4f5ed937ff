package sqlitestore

import (
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/replay"

	"github.com/google/go-cmp/cmp"
)

// old is what was written beside a database when it was made: the demo as
// seeded on 12 November 2026, 240 entries of three phones with forks and
// relayed changes, one held change and one refused record.
type old struct {
	Site      string `json:"site"`
	Documents []struct {
		Name    string   `json:"name"`
		Heads   []string `json:"heads"`
		Entries int      `json:"entries"`
		Bytes   string   `json:"bytes"` // SHA-256 over the chunks in order of their hashes
		Hashes  []string `json:"hashes"`
	} `json:"documents"`
	Held       []string `json:"held"`
	Quarantine []string `json:"quarantine"`
}

// unpacked gives a copy of a database of testdata, as its program left it.
func unpacked(t *testing.T, name string) (path string) {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name+".db.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(t.TempDir(), "gatewright.db")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func oldAs(t *testing.T, name string) (want old) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &want); err != nil {
		t.Fatal(err)
	}
	return want
}

// A database of an earlier version opens with all that was in it. Each version
// that was shipped keeps its file here for good.
func TestOldDatabaseOpens(t *testing.T) {
	want := oldAs(t, "version1")
	path := unpacked(t, "version1")
	db := open(t, path, Options{})
	for range 2 { // as migrated, and opened again
		sameAsOld(t, db, want)
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		db = open(t, path, Options{})
	}
	if err := db.Append(t.Context(), onTop(t, db, want.Site)); err != nil {
		t.Errorf("adding to it: %v", err)
	}
}

func sameAsOld(t *testing.T, db *DB, want old) {
	t.Helper()
	var got old
	got.Site = want.Site
	docs, err := db.Documents(t.Context(), want.Site)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range docs {
		stored, held, err := db.Load(t.Context(), want.Site, d.Name)
		if err != nil {
			t.Fatal(err)
		}
		slices.SortFunc(stored, func(a, b hub.StoredChange) int { return a.Hash.Compare(b.Hash) })
		one := want.Documents[0]
		one.Name, one.Heads, one.Hashes, one.Entries = d.Name, hexOf(d.Heads), nil, 0
		sum := sha256.New()
		for _, s := range stored {
			c, err := change.Decode(s.Bytes, change.DefaultLimits)
			if err != nil || c.Hash != s.Hash || c.Actor != s.Actor || c.Seq != s.Seq || !slices.Equal(c.Deps, s.Deps) {
				t.Errorf("%s: change %s does not hold what its row says (%v)", d.Name, s.Hash, err)
			}
			one.Hashes = append(one.Hashes, s.Hash.String())
			one.Entries += len(s.Entries)
			sum.Write(s.Bytes)
		}
		one.Bytes = hex.EncodeToString(sum.Sum(nil))
		got.Documents = append(got.Documents, one)
		for _, h := range held {
			got.Held = append(got.Held, h.Hash.String())
		}
	}
	for _, q := range quarantined(t, db, want.Site) {
		got.Quarantine = append(got.Quarantine, q.ID)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("what it holds (-written beside it +read):\n%s", d)
	}
	read, err := replay.Read(t.Context(), db, want.Site)
	if err != nil {
		t.Fatal(err)
	}
	entries := 0
	for _, d := range want.Documents {
		entries += d.Entries
	}
	if len(read.Entries) != entries || len(read.Plan.Gates) != 2 {
		t.Errorf("%d entries and %d gates; want %d and 2", len(read.Entries), len(read.Plan.Gates), entries)
	}
}

func hexOf(hashes []change.Hash) (list []string) {
	for _, h := range hashes {
		list = append(list, h.String())
	}
	return list
}

// onTop is a new change on all heads of the first document.
func onTop(t *testing.T, db *DB, site string) hub.Batch {
	t.Helper()
	docs, err := db.Documents(t.Context(), site)
	if err != nil {
		t.Fatal(err)
	}
	c, err := change.NewLogChange("new", 1, 1000, docs[0].Heads, 0, "key", "value")
	if err != nil {
		t.Fatal(err)
	}
	return hub.Batch{Site: site, Doc: docs[0].Name, DocID: docs[0].ID, Now: 1, Changes: []hub.StoredChange{{Hash: c.Hash, Actor: c.Actor,
		Seq: c.Seq, Deps: c.Deps, Bytes: c.Bytes, Device: admit.ServerDevice}}}
}
