package sqlitestore

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"path/filepath"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/storetest"
)

func open(t *testing.T, path string, o Options) *DB {
	t.Helper()
	db, err := Open(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	return db
}

func fresh(t *testing.T) (*DB, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "gatewright.db")
	return open(t, path, Options{}), path
}

func mustExec(t storetest.TB, db *DB, query string, args ...any) {
	t.Helper()
	err := db.Write(context.Background(), func(tx *sql.Tx) error {
		_, err := tx.Exec(query, args...)
		return err
	})
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
}

func putSite(t storetest.TB, db *DB, site string) {
	t.Helper()
	mustExec(t, db, `INSERT INTO sites (id, slug, name, zone, created_at) VALUES ($1, $1, 'Site', 'Europe/Dublin', 1)`, site)
}

func putDevice(t storetest.TB, db *DB, site string, a admit.Author) {
	t.Helper()
	mustExec(t, db, `INSERT INTO devices (id, site_id, public_key, label, created_at, relay) VALUES ($1, $2, x'00', 'phone', 1, $3)`,
		a.Device, site, a.Relay)
	for i, p := range a.People {
		mustExec(t, db, `INSERT INTO people (id, name, created_at) VALUES ($1, 'Somebody', 1) ON CONFLICT DO NOTHING`, p.ID)
		mustExec(t, db, `INSERT INTO device_people (device_id, person_id, added_at) VALUES ($1, $2, 1) ON CONFLICT DO NOTHING`, a.Device, p.ID)
		until := sql.NullInt64{Int64: p.Until, Valid: p.Until != 0}
		mustExec(t, db, `INSERT INTO grants (id, site_id, person_id, role, from_at, until_at, gates, doings) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			fmt.Sprintf("%s-%s-%d", a.Device, p.ID, i), site, p.ID, string(p.Role), p.From, until, storetest.List(p.Gates), storetest.List(p.Doings))
	}
}

// backend gives the doors the contract suite needs; db may be replaced by
// reopening.
func backend(t *testing.T, db *DB, path string) storetest.Backend {
	return storetest.Backend{
		Store:     db,
		PutSite:   func(t storetest.TB, site string) { putSite(t, db, site) },
		PutDevice: func(t storetest.TB, site string, a admit.Author) { putDevice(t, db, site, a) },
		Revoke: func(t storetest.TB, site, device string, at int64) {
			mustExec(t, db, `UPDATE devices SET revoked_at = $1 WHERE id = $2 AND site_id = $3`, at, device, site)
		},
		Wake: func(tb storetest.TB, site string) (int64, bool) {
			var at sql.NullInt64
			if err := db.Reader().QueryRow(`SELECT wake_at FROM sites WHERE id = $1`, site).Scan(&at); err != nil {
				tb.Fatalf("wake_at: %v", err)
			}
			return at.Int64, at.Valid
		},
		Quarantined: func(tb storetest.TB, site string) []hub.Quarantined { return quarantined(tb, db, site) },
		Pack: func(tb storetest.TB, site, doc string) bool {
			packed, err := db.Pack(context.Background(), site, doc, 1)
			if err != nil {
				tb.Fatalf("Pack %s: %v", doc, err)
			}
			return packed
		},
		Reopen: func(tb storetest.TB) hub.Store {
			if err := db.Close(); err != nil {
				tb.Fatalf("Close: %v", err)
			}
			db = open(t, path, Options{})
			return db
		},
	}
}

func quarantined(t storetest.TB, db *DB, site string) (list []hub.Quarantined) {
	t.Helper()
	rows, err := db.Reader().Query(`SELECT id, doc, hash, device, person, code, reason, bytes, entries, at
		FROM quarantine WHERE site_id = $1 ORDER BY id`, site)
	if err != nil {
		t.Fatalf("%v", err)
	}
	defer rows.Close()
	for rows.Next() {
		var q hub.Quarantined
		var hash []byte
		var entries string
		if err := rows.Scan(&q.ID, &q.Doc, &hash, &q.Device, &q.Person, &q.Code, &q.Reason, &q.Bytes, &entries, &q.At); err != nil {
			t.Fatalf("%v", err)
		}
		if err := json.Unmarshal([]byte(entries), &q.Entries); err != nil {
			t.Fatalf("%v", err)
		}
		if copy(q.Hash[:], hash) != len(q.Hash) || len(hash) != len(q.Hash) {
			t.Fatalf("a hash of %d bytes", len(hash))
		}
		list = append(list, q)
	}
	if err := rows.Err(); err != nil {
		t.Fatalf("%v", err)
	}
	return list
}

func TestContract(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Backend {
		db, path := fresh(t)
		return backend(t, db, path)
	})
}

// The store in memory is the simplest statement of the rules; whatever comes,
// SQLite decides as it does.
func TestAgreesWithMemory(t *testing.T) {
	db, path := fresh(t)
	storetest.Agree(t, backend(t, db, path), storetest.Memory())
}

// Two processes may write to one file, the console beside the server: they wait
// for each other.
func TestNodes(t *testing.T) {
	storetest.Nodes(t, func(t *testing.T) (storetest.Backend, [2]storetest.Node) {
		db, path := fresh(t)
		return backend(t, db, path), [2]storetest.Node{db, open(t, path, Options{})}
	})
}
