package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"gatewright/sync/admit"

	"modernc.org/sqlite"
)

// Every connection of both pools answers with the settings, also one that the
// pool opens later in place of another.
func TestSettingsOfEveryConnection(t *testing.T) {
	db, _ := fresh(t)
	check := func(conn *sql.Conn, write bool) {
		t.Helper()
		for _, s := range settings(Options{}, write) {
			var got string
			if err := conn.QueryRowContext(t.Context(), "PRAGMA "+s.name).Scan(&got); err != nil || got != s.want {
				t.Errorf("%s = %q, %v; want %q", s.name, got, err, s.want)
			}
		}
	}
	held := func(p *sql.DB, n int, write bool) {
		t.Helper()
		var conns []*sql.Conn
		for range n {
			conn, err := p.Conn(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			conns = append(conns, conn)
			check(conn, write)
		}
		for _, conn := range conns {
			if err := conn.Close(); err != nil {
				t.Error(err)
			}
		}
	}
	held(db.reader, readers, false)
	held(db.writer, 1, true)
	db.writer.SetMaxIdleConns(-1) // drops the connection, so that the next is new
	held(db.writer, 1, true)
}

// The mutation check: a database that does not sync as it should is not opened.
func TestRefusesOtherSynchronous(t *testing.T) {
	for _, mode := range []string{"OFF", "NORMAL"} {
		path := filepath.Join(t.TempDir(), "gatewright.db")
		db, err := Open(t.Context(), path, Options{synchronous: mode})
		if !errors.Is(err, ErrSettings) || !strings.Contains(err.Error(), "synchronous") {
			t.Errorf("synchronous %s: %v, want ErrSettings", mode, err)
		}
		if err == nil {
			db.Close()
		}
	}
}

// Each setting is looked at by itself.
func TestEachSettingIsReadBack(t *testing.T) {
	path := filepath.Join(t.TempDir(), "gatewright.db")
	open(t, path, Options{})
	for _, write := range []bool{true, false} {
		for i, s := range settings(Options{}, write) {
			base, err := sqlite.NewConnector(source(path, Options{}, write))
			if err != nil {
				t.Fatal(err)
			}
			other := settings(Options{}, write)
			other[i].want = "something else"
			conn, err := connector{Connector: base, settings: other}.Connect(t.Context())
			if !errors.Is(err, ErrSettings) || !strings.Contains(err.Error(), s.name+" is "+s.want) {
				t.Errorf("%s: %v, want ErrSettings", s.name, err)
			}
			if err == nil {
				conn.Close()
			}
		}
	}
	// A database without a file has no write-ahead log.
	base, err := sqlite.NewConnector("file::memory:?_pragma=journal_mode(WAL)")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := (connector{Connector: base, settings: settings(Options{}, true)}).Connect(t.Context()); !errors.Is(err, ErrSettings) {
		t.Errorf("in memory: %v, want ErrSettings", err)
	}
}

func TestForeignKeysHold(t *testing.T) {
	db, _ := fresh(t)
	err := db.Write(t.Context(), func(tx *sql.Tx) error {
		_, err := tx.Exec(`INSERT INTO grants (id, site_id, person_id, role, from_at) VALUES ('g', 'nowhere', 'nobody', 'crew', 1)`)
		return err
	})
	if err == nil {
		t.Error("a grant at no site to nobody was stored")
	}
}

func TestReaderDoesNotWrite(t *testing.T) {
	db, _ := fresh(t)
	if _, err := db.Reader().Exec(`INSERT INTO settings (key, value) VALUES ('a', 'b')`); err == nil {
		t.Error("a reader wrote")
	}
}

func TestFilesAreTheOwners(t *testing.T) {
	old := syscall.Umask(0)
	defer syscall.Umask(old)
	_, path := fresh(t)
	for _, name := range []string{path, path + "-wal", path + "-shm"} {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %v", filepath.Base(name), info.Mode())
		}
	}
	open2 := filepath.Join(t.TempDir(), "given.db")
	if err := os.WriteFile(open2, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	open(t, open2, Options{})
	if info, _ := os.Stat(open2); info.Mode().Perm() != 0o600 {
		t.Errorf("a file that was there has mode %v", info.Mode())
	}
}

func TestOddPath(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a b?c=d#e%41&.db")
	open(t, path, Options{})
	if _, err := os.Stat(path); err != nil {
		t.Error(err)
	}
}

func TestWhatCannotBeOpened(t *testing.T) {
	dir := t.TempDir()
	garbage := filepath.Join(dir, "garbage.db")
	if err := os.WriteFile(garbage, []byte(strings.Repeat("no database ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	newer := filepath.Join(dir, "newer.db")
	db := open(t, newer, Options{})
	mustExec(t, db, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, 1)`)
	db.Close()
	older := filepath.Join(dir, "older.db")
	db = open(t, older, Options{})
	mustExec(t, db, `DELETE FROM goose_db_version WHERE version_id > 0`)
	db.Close()
	empty := filepath.Join(dir, "empty.db")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range []struct {
		name, path string
		ctx        context.Context
		o          Options
		want       error
	}{
		{"no directory", filepath.Join(dir, "no", "such.db"), t.Context(), Options{}, os.ErrNotExist},
		{"a directory", dir, t.Context(), Options{}, nil},
		{"garbage", garbage, t.Context(), Options{}, nil},
		{"newer", newer, t.Context(), Options{}, ErrNewer},
		{"newer, reading", newer, t.Context(), Options{ReadOnly: true}, ErrNewer},
		{"older, reading", older, t.Context(), Options{ReadOnly: true}, nil},
		{"missing, reading", filepath.Join(dir, "missing.db"), t.Context(), Options{ReadOnly: true}, os.ErrNotExist},
		{"empty, reading", empty, t.Context(), Options{ReadOnly: true}, nil},
		{"a context that has ended", filepath.Join(dir, "ended.db"), ended, Options{}, context.Canceled},
	} {
		db, err := Open(c.ctx, c.path, c.o)
		switch {
		case err == nil:
			t.Errorf("%s: opened", c.name)
			db.Close()
		case c.want != nil && !errors.Is(err, c.want), !strings.Contains(err.Error(), c.path):
			t.Errorf("%s: %v", c.name, err)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "missing.db")); err == nil {
		t.Error("opening for reading made a file")
	}
}

// A second process may read while the server writes.
func TestReadOnlyBesideTheServer(t *testing.T) {
	server, path := fresh(t)
	putSite(t, server, "s1")
	putDevice(t, server, "s1", admit.Author{Device: "d1"})
	side := open(t, path, Options{ReadOnly: true})
	if err := server.Append(t.Context(), chain("a", 1)); err != nil {
		t.Fatal(err)
	}
	changes, _, err := side.Load(t.Context(), "s1", chain("a", 1).Doc)
	if err != nil || len(changes) != 2 {
		t.Fatalf("%d changes, %v; want 2", len(changes), err)
	}

	// A long reading neither waits nor is waited for, and sees one moment.
	tx, err := side.Reader().BeginTx(t.Context(), &sql.TxOptions{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	count := func() (n int) {
		if err := tx.QueryRow(`SELECT COUNT(*) FROM changes`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := count()
	if err := server.Append(t.Context(), chain("a", 2)); err != nil {
		t.Fatal(err)
	}
	if n := count(); n != before {
		t.Errorf("a reading saw %d changes, then %d", before, n)
	}

	if err := side.Append(t.Context(), chain("a", 3)); !errors.Is(err, ErrReadOnly) {
		t.Errorf("Append: %v", err)
	}
	if err := side.Write(t.Context(), func(*sql.Tx) error { return nil }); !errors.Is(err, ErrReadOnly) {
		t.Errorf("Write: %v", err)
	}
	if _, err := side.Reader().Exec(`DELETE FROM entries`); err == nil {
		t.Error("a database opened for reading was written to")
	}
}

// A backup as VACUUM INTO writes it has no write-ahead log, and can be looked
// into as it is.
func TestReadOnlyBackup(t *testing.T) {
	server, _ := fresh(t)
	putSite(t, server, "s1")
	backup := filepath.Join(t.TempDir(), "backup.db")
	if _, err := server.writer.Exec(`VACUUM INTO $1`, backup); err != nil {
		t.Fatal(err)
	}
	side := open(t, backup, Options{ReadOnly: true})
	var n int
	if err := side.Reader().QueryRow(`SELECT COUNT(*) FROM sites`).Scan(&n); err != nil || n != 1 {
		t.Errorf("%d sites, %v", n, err)
	}
	if wrong, err := side.Integrity(t.Context()); err != nil || len(wrong) > 0 {
		t.Errorf("%v, %v", wrong, err)
	}
}

// The server may be down.
func TestReadOnlyByItself(t *testing.T) {
	server, path := fresh(t)
	putSite(t, server, "s1")
	if err := server.Close(); err != nil {
		t.Fatal(err)
	}
	side := open(t, path, Options{ReadOnly: true})
	var n int
	if err := side.Reader().QueryRow(`SELECT COUNT(*) FROM sites`).Scan(&n); err != nil || n != 1 {
		t.Errorf("%d sites, %v", n, err)
	}
}
