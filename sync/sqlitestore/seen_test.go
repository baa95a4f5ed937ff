package sqlitestore

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// A database that lost its end says how much is missing, also to one who only reads, until as much has come back.
func TestBehind(t *testing.T) {
	path := seeded(t)
	db := open(t, path, Options{})
	const before, after = 3, 5
	store := func(db *DB, from, to int) {
		t.Helper()
		for n := from; n <= to; n++ {
			if err := db.Append(t.Context(), chain("a", n)); err != nil {
				t.Fatal(err)
			}
		}
	}
	store(db, 1, before)
	older := filepath.Join(t.TempDir(), "copy.db")
	for _, suffix := range []string{"", "-wal"} {
		copyFile(t, path+suffix, older+suffix)
	}
	// What stores nothing new, and what is refused, does not count.
	store(db, before, before)
	if err := db.Append(t.Context(), chain("a", before+7)); err == nil {
		t.Fatal("a batch with a gap was stored")
	}
	store(db, before+1, before+after)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	want := func(path string, o Options, want uint64) *DB {
		t.Helper()
		db := open(t, path, o)
		if got := db.Behind(); got != want {
			t.Errorf("%+v: behind by %d, want %d", o, got, want)
		}
		return db
	}
	want(path, Options{}, 0)
	want(older, Options{ReadOnly: true}, 0) // a copy knows of nothing newer
	copyFile(t, path+seenSuffix, older+seenSuffix)
	want(older, Options{ReadOnly: true}, after)
	db = want(older, Options{}, after)
	store(db, before+1, before+2)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	db = want(older, Options{}, after-2)
	store(db, before+3, before+after+1)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	want(older, Options{}, 0)

	// A file that cannot be read says nothing, and is written anew.
	for _, text := range []string{"", "batches stored 0000", "batches stored 00000000000000000999 00000000\n", string(seenLine(999)) + "x"} {
		if err := errors.Join(os.Remove(older+seenSuffix), os.WriteFile(older+seenSuffix, []byte(text), 0o600)); err != nil {
			t.Fatal(err)
		}
		want(older, Options{}, 0)
	}
}
