package sqlitestore

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"gatewright/sync/hub"
	"gatewright/sync/pack"
	"gatewright/sync/sqlstore"
	"gatewright/sync/storetest"

	"github.com/google/go-cmp/cmp"
)

// Whatever a store promises, it promises of packed documents too.
func TestContractPacked(t *testing.T) {
	storetest.RunPacked(t, func(t *testing.T) storetest.Backend {
		db, path := fresh(t)
		return backend(t, db, path)
	})
}

// months of the old database, packed.
func packedMonths(t *testing.T) (db *DB, want old, path string) {
	t.Helper()
	want, path = oldAs(t, "version1"), unpacked(t, "version1")
	db = open(t, path, Options{})
	for _, doc := range []string{"log/2026-10", "log/2026-11"} {
		if ok, err := db.Pack(t.Context(), want.Site, doc, 1); err != nil || !ok {
			t.Fatalf("packing %s: %v, %v", doc, ok, err)
		}
	}
	return db, want, path
}

func TestPackedMonthsGiveTheSame(t *testing.T) {
	db, want, path := packedMonths(t)
	sameAsOld(t, db, want)
	var loose int
	if err := db.Reader().QueryRow(`SELECT COUNT(*) FROM changes WHERE length(bytes) > 0`).Scan(&loose); err != nil || loose != 1 {
		t.Errorf("%d changes keep their bytes, want the plan's alone (%v)", loose, err)
	}
	list, err := db.Unpacked(t.Context())
	if err != nil || len(list) != 1 || list[0].Name != "plan" {
		t.Errorf("not packed: %v, %v", list, err)
	}
	b := onTop(t, db, want.Site)
	if err := db.Append(t.Context(), b); err != nil {
		t.Fatal(err)
	}
	if list, err = db.Unpacked(t.Context()); err != nil || len(list) != 2 {
		t.Errorf("not packed after a late change: %v, %v", list, err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	db = open(t, path, Options{ReadOnly: true})
	if _, err := db.Pack(t.Context(), want.Site, b.Doc, 1); !errors.Is(err, ErrReadOnly) {
		t.Errorf("packing a database open for reading: %v", err)
	}
}

// Of a damaged pack, what still has its hash is given, and of the rest all but
// the bytes. When phones bring those again, all is there as before, and can be
// packed anew; until then it is not, for that would give damage a digest.
func TestDamagedPackIsMended(t *testing.T) {
	db, want, _ := packedMonths(t)
	const doc = "log/2026-10"
	before := loadSorted(t, db, want.Site, doc)
	mustExec(t, db, `UPDATE packs SET bytes = CAST(substr(bytes, 1, 30000) || x'55' || substr(bytes, 30002) AS BLOB)
		WHERE doc_id IN (SELECT id FROM documents WHERE name = $1)`, doc)

	var lost []hub.StoredChange
	for i, c := range loadSorted(t, db, want.Site, doc) {
		if len(c.Bytes) == 0 {
			lost = append(lost, before[i])
			c.Bytes, c.Deps = before[i].Bytes, before[i].Deps
		}
		if d := cmp.Diff(before[i], c); d != "" {
			t.Fatalf("from a damaged pack (-stored +given):\n%s", d)
		}
	}
	if len(lost) == 0 || len(lost) == len(before) {
		t.Fatalf("of %d changes %d are lost: this shows nothing", len(before), len(lost))
	}
	docs, err := db.Documents(t.Context(), want.Site)
	if err != nil {
		t.Fatal(err)
	}
	again := func(list []hub.StoredChange) {
		t.Helper()
		err := db.Append(t.Context(), hub.Batch{Site: want.Site, Doc: docs[0].Name, DocID: docs[0].ID, Changes: list, Now: 9})
		if err != nil {
			t.Fatal(err)
		}
	}
	again(lost[:1])
	if _, err := db.Pack(t.Context(), want.Site, doc, 2); !errors.Is(err, pack.ErrDamaged) {
		t.Errorf("packing with %d changes lost: %v", len(lost)-1, err)
	}
	again(lost)
	if d := cmp.Diff(before, loadSorted(t, db, want.Site, doc)); d != "" {
		t.Fatalf("mended (-stored +given):\n%s", d)
	}
	again(before) // the others rely on the damaged pack still
	if ok, err := db.Pack(t.Context(), want.Site, doc, 3); err != nil || !ok {
		t.Fatalf("packing what was mended: %v, %v", ok, err)
	}
	sameAsOld(t, db, want)
}

// A row whose bytes were damaged is mended by whoever brings the change again.
func TestDamagedRowIsMended(t *testing.T) {
	want := oldAs(t, "version1")
	db := open(t, unpacked(t, "version1"), Options{})
	docs, err := db.Documents(t.Context(), want.Site)
	if err != nil {
		t.Fatal(err)
	}
	before := loadSorted(t, db, want.Site, docs[0].Name)
	mustExec(t, db, `UPDATE changes SET bytes = x'0102', deps = x'' WHERE hash = $1`, before[7].Hash[:])
	if got := loadSorted(t, db, want.Site, docs[0].Name)[7]; bytes.Equal(got.Bytes, before[7].Bytes) {
		t.Fatal("nothing was damaged")
	}
	err = db.Append(t.Context(), hub.Batch{Site: want.Site, Doc: docs[0].Name, DocID: docs[0].ID, Changes: before[5:9], Now: 9})
	if err != nil {
		t.Fatal(err)
	}
	sameAsOld(t, db, want)
}

func loadSorted(t *testing.T, db *DB, site, doc string) []hub.StoredChange {
	t.Helper()
	list, _, err := db.Load(t.Context(), site, doc)
	if err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(list, func(a, b hub.StoredChange) int { return a.Hash.Compare(b.Hash) })
	return list
}

// A change that comes while a month is being packed is not swept away with
// what was read before it, and a mended row is not emptied for a pack that
// lacks it.
func TestPackingLeavesWhatComesMeanwhile(t *testing.T) {
	db, _ := ready(t)
	if err := db.Append(t.Context(), chain("a", 1)); err != nil {
		t.Fatal(err)
	}
	var meanwhile func() error // between reading and writing
	slow := sqlstore.New(sqlstore.Engine{Read: db.read, MoveRow: moveRow, Write: func(ctx context.Context, unit sqlstore.Unit) error {
		if err := meanwhile(); err != nil {
			return err
		}
		return db.write(ctx, unit)
	}})
	pack := func(want bool) {
		t.Helper()
		if ok, err := slow.Pack(t.Context(), "s1", "log/a", 1); err != nil || ok != want {
			t.Errorf("packed: %v, %v; want %v", ok, err, want)
		}
	}
	check := func(want int) {
		t.Helper()
		if n := stored(t, db, "a"); n != want {
			t.Errorf("%d batches are there, want %d", n, want)
		}
		for _, c := range loadSorted(t, db, "s1", "log/a") {
			if len(c.Bytes) == 0 {
				t.Errorf("the bytes of change %d are gone", c.Seq)
			}
		}
	}
	for n := 2; n <= 4; n += 2 { // once without a pack, once with one
		meanwhile = func() error { return db.Append(t.Context(), chain("a", n)) }
		pack(false)
		check(n)
		meanwhile = func() error { return nil }
		pack(true)
		check(n)
		if err := db.Append(t.Context(), chain("a", n+1)); err != nil {
			t.Fatal(err)
		}
	}

	// Another node packs the same.
	meanwhile = func() error { _, err := db.Pack(t.Context(), "s1", "log/a", 7); return err }
	pack(false)
	check(5)
}

// Wherever the log ends that a crash leaves behind, a month is packed or it is
// not, and gives the same.
func TestPackingIsWholeAfterACrash(t *testing.T) {
	want, path := oldAs(t, "version1"), unpacked(t, "version1")
	const doc = "log/2026-10"
	if err := open(t, path, Options{}).Close(); err != nil { // migrated
		t.Fatal(err)
	}
	db := open(t, path, Options{})
	before := loadSorted(t, db, want.Site, doc)
	if ok, err := db.Pack(t.Context(), want.Site, doc, 1); err != nil || !ok {
		t.Fatal(ok, err)
	}
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	log, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	frame := 24 + int(binary.BigEndian.Uint32(log[8:]))
	copied := filepath.Join(t.TempDir(), "copy.db")
	seen := map[bool]int{}
	for _, cut := range []int{0, 32, 32 + frame, len(log) / 2, len(log) - frame, len(log) - 1, len(log)} {
		for suffix, b := range map[string][]byte{"": file, "-wal": log[:cut]} {
			if err := os.WriteFile(copied+suffix, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		db, err := Open(t.Context(), copied, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(before, loadSorted(t, db, want.Site, doc)) {
			t.Errorf("cut at %d of %d: not the same", cut, len(log))
		}
		var packs, loose int
		if err := db.Reader().QueryRow(`SELECT (SELECT COUNT(*) FROM packs), (SELECT COUNT(*) FROM changes c JOIN documents d ON d.id = c.doc_id
			WHERE d.name = $1 AND length(c.bytes) > 0)`, doc).Scan(&packs, &loose); err != nil {
			t.Fatal(err)
		}
		if packs == 0 && loose != len(before) || packs == 1 && loose != 0 {
			t.Errorf("cut at %d of %d: %d packs and %d of %d changes with bytes", cut, len(log), packs, loose, len(before))
		}
		seen[packs == 1]++
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if seen[true] == 0 || seen[false] == 0 {
		t.Errorf("the cuts tell nothing: %v", seen)
	}
}

// A great month is packed in several transactions. Wherever a crash ends that,
// it gives the same, and the next pass does the rest.
func TestPackingInSlicesAfterACrash(t *testing.T) {
	db := month(t, 2500)
	before := loadSorted(t, db, "s1", "log/2026-10")
	path := ""
	if err := db.Reader().QueryRow(`SELECT file FROM pragma_database_list WHERE name = 'main'`).Scan(&path); err != nil {
		t.Fatal(err)
	}
	if _, err := db.writer.Exec(`PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
		t.Fatal(err)
	}
	if _, err := db.writer.Exec(`PRAGMA wal_autocheckpoint(0)`); err != nil {
		t.Fatal(err)
	}
	if ok, err := db.Pack(t.Context(), "s1", "log/2026-10", 1); err != nil || !ok {
		t.Fatal(ok, err)
	}
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	log, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	frame := 24 + int(binary.BigEndian.Uint32(log[8:]))
	frames := (len(log) - 32) / frame
	copied := filepath.Join(t.TempDir(), "copy.db")
	seen := map[int]bool{}
	for n := 0; n <= frames; n += max(1, frames/12) {
		for suffix, b := range map[string][]byte{"": file, "-wal": log[:32+n*frame]} {
			if err := os.WriteFile(copied+suffix, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		db, err := Open(t.Context(), copied, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for again := range 2 {
			if !reflect.DeepEqual(before, loadSorted(t, db, "s1", "log/2026-10")) {
				t.Errorf("cut after %d of %d frames, packed again %d times: not the same", n, frames, again)
			}
			var loose int
			if err := db.Reader().QueryRow(`SELECT COUNT(*) FROM changes WHERE length(bytes) > 0`).Scan(&loose); err != nil {
				t.Fatal(err)
			}
			if again == 0 {
				seen[loose] = true
			} else if loose > 0 {
				t.Errorf("cut after %d of %d frames: %d changes keep their bytes", n, frames, loose)
			}
			if _, err := db.Pack(t.Context(), "s1", "log/2026-10", 2); err != nil {
				t.Fatal(err)
			}
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	seen[0] = true // only the whole log leaves none
	if want := map[int]bool{2500: true, 1500: true, 500: true, 0: true}; !cmp.Equal(seen, want) {
		t.Errorf("the cuts left %v changes with bytes, want each of %v", seen, want)
	}
}
