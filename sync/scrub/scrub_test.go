package scrub_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/pgstore"
	"gatewright/sync/pgstore/pgtest"
	"gatewright/sync/scrub"
	"gatewright/sync/sqlitestore"
)

// sound gives a database without damage: six weeks of a demo, with forks,
// relayed changes, a held change and a refused record.
func sound(t *testing.T) (path string) {
	t.Helper()
	f, err := os.Open("../sqlitestore/testdata/version1.db.gz")
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
	db, err := sqlitestore.Open(t.Context(), path, sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// look checks a database as beside a running server.
func look(t *testing.T, path, site string) (scrub.Summary, []scrub.Finding, error) {
	t.Helper()
	db, err := sqlitestore.Open(t.Context(), path, sqlitestore.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var found []scrub.Finding
	sum, err := scrub.Check(t.Context(), db, scrub.Options{Site: site, Report: func(f scrub.Finding) { found = append(found, f) }})
	if sum.Findings != len(found) {
		t.Errorf("%d findings are counted and %d reported", sum.Findings, len(found))
	}
	return sum, found, err
}

// damage runs statements without the care that the program takes.
func damage(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=foreign_keys(OFF)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, s := range statements {
		r, err := db.Exec(s)
		if err != nil {
			t.Fatalf("%s: %v", s, err)
		}
		if n, err := r.RowsAffected(); err != nil || n == 0 {
			t.Fatalf("%s: damaged nothing (%v)", s, err)
		}
	}
}

func TestSound(t *testing.T) {
	path := sound(t)
	for _, site := range []string{"", "demo"} {
		sum, found, err := look(t, path, site)
		if err != nil || len(found) > 0 {
			t.Fatalf("%v, %v", found, err)
		}
		want := scrub.Summary{Sites: 1, Documents: 3, Changes: 248, Entries: 1320, Held: 1, Refused: 1}
		if sum != want {
			t.Errorf("looked at %+v, want %+v", sum, want)
		}
	}
	if _, _, err := look(t, path, "elsewhere"); !errors.Is(err, scrub.ErrNoSite) {
		t.Errorf("a site that is not there: %v", err)
	}
}

// Of the middle of a month: a change that others depend on, of one entry.
const middle = `(doc_id, hash) IN (SELECT c.doc_id, c.hash FROM changes c JOIN documents d ON d.id = c.doc_id
	WHERE d.name = 'log/2026-10' AND c.device <> 'server' ORDER BY c.received_at LIMIT 1 OFFSET 40)`

// Each kind of damage is found, by what it is called, and nothing is said of
// what is whole.
func TestDamage(t *testing.T) {
	for _, c := range []struct {
		name   string
		damage []string
		want   []scrub.Code
		about  string // in one of the sentences
	}{
		{"a bit of a change", []string{`UPDATE changes SET bytes = CAST(substr(bytes, 1, 60) || x'fe' || substr(bytes, 62) AS BLOB) WHERE ` + middle},
			[]scrub.Code{scrub.Decode}, "phone"},
		{"a change cut short", []string{`UPDATE changes SET bytes = substr(bytes, 1, 50) WHERE ` + middle}, []scrub.Code{scrub.Decode}, "phone"},
		{"no bytes", []string{`UPDATE changes SET bytes = x'' WHERE ` + middle}, []scrub.Code{scrub.Decode}, "not there"},
		{"another change's bytes", []string{`UPDATE changes SET bytes = (SELECT bytes FROM changes WHERE device <> 'server' ORDER BY received_at DESC LIMIT 1) WHERE ` + middle},
			[]scrub.Code{scrub.Hash}, "hash"},
		{"a number", []string{`UPDATE changes SET seq = 9999 WHERE ` + middle}, []scrub.Code{scrub.Columns, scrub.Seq}, "number"},
		{"an actor", []string{`UPDATE changes SET actor = x'01' WHERE ` + middle}, []scrub.Code{scrub.Columns, scrub.Actor, scrub.Seq, scrub.Seq}, "bound to no device"},
		{"dependencies", []string{`UPDATE changes SET deps = x'' WHERE ` + middle}, []scrub.Code{scrub.Columns}, "dependencies"},
		{"half a dependency", []string{`UPDATE changes SET deps = x'0102' WHERE ` + middle}, []scrub.Code{scrub.Columns}, "dependencies"},
		{"a row of a hash that is none", []string{`UPDATE changes SET hash = x'0102' WHERE ` + middle}, []scrub.Code{scrub.Engine, scrub.Hash, scrub.NoEntry, scrub.Deps, scrub.Seq}, ""},
		{"a change lost", []string{`DELETE FROM entries WHERE ` + middle, `DELETE FROM changes WHERE ` + middle}, []scrub.Code{scrub.Deps, scrub.Seq}, "is not stored. The phone"},
		{"a change lost, its entry left", []string{`DELETE FROM changes WHERE ` + middle}, []scrub.Code{scrub.Engine, scrub.NoEntry, scrub.Deps, scrub.Seq}, "refers to a row"},
		{"a change stored as another device's", []string{`UPDATE changes SET device = 'someone' WHERE ` + middle}, []scrub.Code{scrub.Actor}, "someone"},
		{"an actor forgotten", []string{`DELETE FROM actors WHERE actor IN (SELECT actor FROM changes c JOIN documents d ON d.id = c.doc_id WHERE d.name = 'plan')`},
			[]scrub.Code{scrub.Actor}, "bound to no device"},
		{"an entry's row lost", []string{`DELETE FROM entries WHERE ` + middle}, []scrub.Code{scrub.EntryRow}, "has no row"},
		{"an entry's row of another person", []string{`UPDATE entries SET person = 'nobody' WHERE ` + middle}, []scrub.Code{scrub.EntryRow}, "nobody"},
		{"an entry's row under another id", []string{`UPDATE entries SET id = 'X' WHERE ` + middle}, []scrub.Code{scrub.EntryRow, scrub.NoEntry}, "entry X"},
		{"an entry's row at another site", []string{`UPDATE entries SET site_id = 'x' WHERE ` + middle}, []scrub.Code{scrub.Engine, scrub.EntryRow}, "site x"},
		{"an entry's row in another document", []string{`UPDATE entries SET doc_id = 'x' WHERE ` + middle}, []scrub.Code{scrub.Engine, scrub.EntryRow, scrub.NoEntry}, "document x"},
		{"a row without an entry", []string{`INSERT INTO entries SELECT site_id, 'extra', doc_id, hash, person FROM entries WHERE ` + middle}, []scrub.Code{scrub.NoEntry}, "entry extra"},
		{"heads lost", []string{`UPDATE documents SET heads = x'' WHERE name = 'log/2026-11'`}, []scrub.Code{scrub.Heads}, "0 stored, 2 follow"},
		{"half a head", []string{`UPDATE documents SET heads = x'01' WHERE name = 'log/2026-11'`}, []scrub.Code{scrub.Heads}, "damaged"},
		{"a document under another name", []string{`UPDATE documents SET name = 'log/2025-01' WHERE name = 'log/2026-11'`},
			[]scrub.Code{scrub.Name, scrub.Content}, "may not hold"},
		{"the plan's change", []string{`UPDATE changes SET bytes = x'00' WHERE doc_id IN (SELECT id FROM documents WHERE name = 'plan')`}, []scrub.Code{scrub.Decode}, "plan"},
		{"a held change", []string{`UPDATE held SET bytes = substr(bytes, 1, 40)`}, []scrub.Code{scrub.Held}, "held"},
		{"a held change of another hash", []string{`UPDATE held SET hash = zeroblob(32)`}, []scrub.Code{scrub.Held}, "held"},
		{"held for another document", []string{`UPDATE held SET doc_id = 'x'`}, []scrub.Code{scrub.Held}, "document x"},
		{"held and stored", []string{`UPDATE held SET (doc_id, doc, hash, bytes) = (SELECT c.doc_id, d.name, c.hash, c.bytes FROM changes c
			JOIN documents d ON d.id = c.doc_id WHERE d.name = 'plan')`}, []scrub.Code{scrub.Held}, "as well"},
		{"a refused record", []string{`UPDATE quarantine SET entries = '["cut'`}, []scrub.Code{scrub.Quarantine}, "q-drained"},
		{"a refused record's hash", []string{`UPDATE quarantine SET hash = x''`}, []scrub.Code{scrub.Quarantine}, "q-drained"},
		{"a reference", []string{`UPDATE device_people SET person_id = 'nobody' WHERE rowid = 1`}, []scrub.Code{scrub.Engine}, "device_people"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			path := sound(t)
			damage(t, path, c.damage...)
			_, found, err := look(t, path, "")
			if err != nil {
				t.Fatal(err)
			}
			wantFound(t, found, c.about, c.want...)
		})
	}
}

// packed gives the sound database with its months packed.
func packed(t *testing.T) (path string) {
	t.Helper()
	path = sound(t)
	db, err := sqlitestore.Open(t.Context(), path, sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	site := siteOf(t, db)
	for _, doc := range []string{"log/2026-10", "log/2026-11"} {
		if ok, err := db.Pack(t.Context(), site, doc, 1); err != nil || !ok {
			t.Fatalf("packing %s: %v, %v", doc, ok, err)
		}
	}
	return path
}

func TestPacked(t *testing.T) {
	path := packed(t)
	sum, found, err := look(t, path, "")
	if err != nil || len(found) > 0 {
		t.Fatalf("%v, %v", found, err)
	}
	want := scrub.Summary{Sites: 1, Documents: 3, Packs: 2, Changes: 248, Entries: 1320, Held: 1, Refused: 1}
	if sum != want {
		t.Errorf("looked at %+v, want %+v", sum, want)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, damage string
		want         []scrub.Code
		about        string
	}{
		{"a bit of the digest", `UPDATE packs SET digest = zeroblob(32) WHERE ` + october, []scrub.Code{scrub.Pack}, "digest"},
		{"a bit of the pack", `UPDATE packs SET bytes = CAST(substr(bytes, 1, 30000) || x'55' || substr(bytes, 30002) AS BLOB) WHERE ` + october,
			[]scrub.Code{scrub.Pack, scrub.Decode}, "not there"},
		{"half the pack", `UPDATE packs SET bytes = substr(bytes, 1, length(bytes) / 2) WHERE ` + october,
			[]scrub.Code{scrub.Pack, scrub.Decode}, "not there"},
		{"the pack lost", `DELETE FROM packs WHERE ` + october, []scrub.Code{scrub.Decode}, "not there"},
		{"another document's pack", `UPDATE packs SET (digest, bytes) = (SELECT digest, bytes FROM packs WHERE NOT ` + october + `) WHERE ` + october,
			[]scrub.Code{scrub.Pack, scrub.Decode}, "not stored"},
		{"a row lost", `DELETE FROM changes WHERE ` + middle, []scrub.Code{scrub.Engine, scrub.Pack, scrub.NoEntry, scrub.Deps, scrub.Seq}, "the pack holds it"},
		{"a row of another device", `UPDATE changes SET device = 'someone' WHERE ` + middle, []scrub.Code{scrub.Columns, scrub.Actor}, "another device"},
		{"a row of another number", `UPDATE changes SET seq = 99 WHERE ` + middle, []scrub.Code{scrub.Columns, scrub.Seq}, "number"},
		{"an entry's row lost", `DELETE FROM entries WHERE ` + middle, []scrub.Code{scrub.EntryRow}, "has no row"},
		{"heads", `UPDATE documents SET heads = x'' WHERE name = 'log/2026-10'`, []scrub.Code{scrub.Heads}, "follow"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "gatewright.db")
			if err := os.WriteFile(path, whole, 0o600); err != nil {
				t.Fatal(err)
			}
			damage(t, path, c.damage)
			_, found, err := look(t, path, "")
			if err != nil {
				t.Fatal(err)
			}
			wantFound(t, found, c.about, c.want...)
		})
	}
}

const october = `doc_id IN (SELECT id FROM documents WHERE name = 'log/2026-10')`

// wantFound wants these kinds and no others, and a sentence about something.
func wantFound(t *testing.T, found []scrub.Finding, about string, want ...scrub.Code) {
	t.Helper()
	codes := map[scrub.Code]bool{}
	said := false
	for i, f := range found {
		codes[f.Code] = true
		said = said || strings.Contains(f.String(), about)
		if f.Remedy == "" || f.Wrong == "" || strings.HasSuffix(f.Wrong, ".") {
			t.Errorf("no clear sentence: %q", f)
		}
		if !slices.Contains(want, f.Code) {
			t.Errorf("also found %q", f.Code)
		}
		if i < 6 {
			t.Log(f)
		}
	}
	for _, code := range want {
		if !codes[code] {
			t.Errorf("no finding %q", code)
		}
	}
	if !said {
		t.Errorf("no sentence about %q", about)
	}
}

// Changes that are sound by themselves and yet should never have come in.
func TestChangesOutOfPlace(t *testing.T) {
	for _, c := range []struct {
		name, doc string
		make      func(heads []change.Hash, top uint64) *change.Change
		want      []scrub.Code
		about     string
	}{
		{"counting on from nothing", "log/2026-11", func(heads []change.Hash, top uint64) *change.Change {
			return &change.Change{Seq: 1, StartOp: top + 7, Deps: heads, Message: admit.ServerMessage,
				Ops: []change.Op{{Key: "x", Action: change.Set, Value: change.String("x")}}}
		}, []scrub.Code{scrub.Counters, scrub.Content}, "count from"},
		{"no entry", "log/2026-11", func(heads []change.Hash, top uint64) *change.Change {
			return &change.Change{Seq: 1, StartOp: top + 1, Deps: heads, Ops: []change.Op{{Key: "x", Action: change.Set, Value: change.String("{}")}}}
		}, []scrub.Code{scrub.Content}, "may not hold"},
		{"a gap in the numbers", "plan", func(heads []change.Hash, top uint64) *change.Change {
			return &change.Change{Seq: 2, StartOp: top + 1, Deps: heads, Message: admit.ServerMessage,
				Ops: []change.Op{{Key: "visits", Action: change.MakeMap}}}
		}, []scrub.Code{scrub.Seq}, "the last has number 2"},
		{"an edit of an item that is not there", "plan", func(heads []change.Hash, top uint64) *change.Change {
			return &change.Change{Seq: 1, StartOp: top + 1, Deps: heads, Message: admit.ServerMessage,
				Ops: []change.Op{{Obj: change.OpID{Counter: 1, Actor: "nobody"}, Key: "name", Action: change.Set, Value: change.String("x")}}}
		}, []scrub.Code{scrub.Plan}, "cannot be applied"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := sound(t)
			db, err := sqlitestore.Open(t.Context(), path, sqlitestore.Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			site, doc, top := siteOf(t, db), hub.Document{}, uint64(0)
			docs, err := db.Documents(t.Context(), site)
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range docs {
				if d.Name == c.doc {
					doc = d
				}
			}
			stored, _, err := db.Load(t.Context(), site, c.doc)
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range stored {
				x, err := change.Decode(s.Bytes, change.DefaultLimits)
				if err != nil {
					t.Fatal(err)
				}
				top = max(top, x.MaxOp())
			}
			x := c.make(doc.Heads, top)
			x.Actor = "stranger"
			if err := change.Encode(x); err != nil {
				t.Fatal(err)
			}
			err = db.Append(t.Context(), hub.Batch{Site: site, Doc: doc.Name, DocID: doc.ID, Now: 1, Changes: []hub.StoredChange{
				{Hash: x.Hash, Actor: x.Actor, Seq: x.Seq, Deps: x.Deps, Bytes: x.Bytes, Device: admit.ServerDevice}}})
			if err != nil {
				t.Fatal(err)
			}
			_, found, err := look(t, path, "")
			if err != nil {
				t.Fatal(err)
			}
			wantFound(t, found, c.about, c.want...)
		})
	}
}

func siteOf(t *testing.T, db *sqlitestore.DB) (id string) {
	t.Helper()
	if err := db.Reader().QueryRow(`SELECT id FROM sites`).Scan(&id); err != nil {
		t.Fatal(err)
	}
	return id
}

// A page of the file is overwritten: the engine says so, the table that it is
// of cannot be read, and the rest is looked at all the same.
func TestDamagedPage(t *testing.T) {
	path := sound(t)
	db, err := sqlitestore.Open(t.Context(), path, sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var root, size int64
	if err := db.Reader().QueryRow(`SELECT rootpage FROM sqlite_schema WHERE name = 'quarantine'`).Scan(&root); err != nil {
		t.Fatal(err)
	}
	if err := db.Reader().QueryRow(`PRAGMA page_size`).Scan(&size); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil { // with it, what is in the log moves into the file
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt(bytes.Repeat([]byte{0xa5}, int(size)), (root-1)*size); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	sum, found, err := look(t, path, "")
	if err != nil {
		t.Fatal(err)
	}
	wantFound(t, found, "cannot be read", scrub.Engine, scrub.Unreadable)
	if sum.Changes != 248 {
		t.Errorf("%d changes were looked at, want 248", sum.Changes)
	}
}

func TestContextEnded(t *testing.T) {
	db, err := sqlitestore.Open(t.Context(), sound(t), sqlitestore.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	ctx, cancel := context.WithCancel(t.Context())
	_, err = scrub.Check(ctx, db, scrub.Options{Report: func(f scrub.Finding) { t.Error(f) }, Told: func(string, int, int) { cancel() }})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("stopped half-way: %v", err)
	}
}

// stumbling is a database whose connection is lost in the middle of a look, as
// often as it says: each look is run again, and after that it fails.
type stumbling struct {
	*sqlitestore.DB
	fails int
}

func (s *stumbling) Snapshot(ctx context.Context, fn func(context.Context, *sql.Tx) error) error {
	if err := s.DB.Snapshot(ctx, fn); err != nil {
		return err
	}
	if s.fails--; s.fails == 0 {
		return fmt.Errorf("reading: %w", hub.ErrAway)
	}
	return s.DB.Snapshot(ctx, fn)
}

// A connection that is lost is no damage: what is run again counts once, and a
// database that stays away ends the check.
func TestAway(t *testing.T) {
	path := packed(t)
	want, _, err := look(t, path, "")
	if err != nil {
		t.Fatal(err)
	}
	db, err := sqlitestore.Open(t.Context(), path, sqlitestore.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	options := scrub.Options{Report: func(f scrub.Finding) { t.Error(f) }}
	if sum, err := scrub.Check(t.Context(), &stumbling{DB: db}, options); err != nil || sum != want {
		t.Errorf("run twice: %v, %v; want %v", sum, err, want)
	}
	for fails := range 4 {
		if _, err := scrub.Check(t.Context(), &stumbling{db, fails + 1}, options); !errors.Is(err, hub.ErrAway) {
			t.Errorf("away at look %d: %v", fails+1, err)
		}
	}
}

// On PostgreSQL the same look finds the same.
func TestOnPostgreSQL(t *testing.T) {
	db, err := pgstore.Open(t.Context(), pgtest.Start(t), pgstore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	from, err := sqlitestore.Open(t.Context(), sound(t), sqlitestore.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	for _, table := range []string{"sites", "devices", "documents", "changes", "entries", "actors", "held", "quarantine"} {
		copyTable(t, table, from, db)
	}
	site := siteOf(t, from)
	look := func(about string, want ...scrub.Code) scrub.Summary {
		t.Helper()
		var found []scrub.Finding
		sum, err := scrub.Check(t.Context(), db, scrub.Options{Report: func(f scrub.Finding) { found = append(found, f) }})
		if err != nil {
			t.Fatal(err)
		}
		if len(found)+len(want) > 0 {
			wantFound(t, found, about, want...)
		}
		return sum
	}
	want := scrub.Summary{Sites: 1, Documents: 3, Changes: 248, Entries: 1320, Held: 1, Refused: 1}
	if sum := look(""); sum != want {
		t.Errorf("looked at %+v, want %+v", sum, want)
	}
	if ok, err := db.Pack(t.Context(), site, "log/2026-10", 1); err != nil || !ok {
		t.Fatal(ok, err)
	}
	want.Packs = 1
	if sum := look(""); sum != want {
		t.Errorf("looked at %+v, want %+v", sum, want)
	}
	err = db.Write(t.Context(), func(tx *sql.Tx) error {
		for _, q := range []string{
			`UPDATE documents SET heads = '' WHERE name = 'plan'`,
			`UPDATE packs SET digest = '\x00'`,
			`DELETE FROM entries WHERE id = (SELECT MIN(id) FROM entries)`,
			`UPDATE changes SET bytes = '\x0102' WHERE hash = (SELECT hash FROM changes WHERE length(bytes) > 0 ORDER BY hash LIMIT 1)`,
			`UPDATE actors SET device = 'someone' WHERE actor = (SELECT actor FROM actors ORDER BY actor LIMIT 1)`,
			`UPDATE quarantine SET entries = 'x'`,
		} {
			if _, err := tx.Exec(q); err != nil {
				return fmt.Errorf("%s: %w", q, err)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	look("someone", scrub.Heads, scrub.Pack, scrub.EntryRow, scrub.Decode, scrub.Actor, scrub.Quarantine)
}

func copyTable(t *testing.T, table string, from *sqlitestore.DB, to *pgstore.DB) {
	t.Helper()
	rows, err := from.Reader().Query(`SELECT * FROM ` + table)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		t.Fatal(err)
	}
	marks := make([]string, len(names))
	for i := range names {
		marks[i] = fmt.Sprintf("$%d", i+1)
	}
	insert := fmt.Sprintf(`INSERT INTO %s (%s) VALUES (%s)`, table, strings.Join(names, ", "), strings.Join(marks, ", "))
	var all [][]any
	for rows.Next() {
		row := make([]any, len(names))
		into := make([]any, len(names))
		for i := range row {
			into[i] = &row[i]
		}
		if err := rows.Scan(into...); err != nil {
			t.Fatal(err)
		}
		for i := range row {
			if b, ok := row[i].([]byte); ok && b == nil {
				row[i] = []byte{} // no bytes are not NULL
			}
		}
		all = append(all, row)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	err = to.Write(t.Context(), func(tx *sql.Tx) error {
		for _, row := range all {
			if _, err := tx.Exec(insert, row...); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatalf("%s: %v", table, err)
	}
}
