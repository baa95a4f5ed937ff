package pgstore

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/pgstore/pgtest"
	"gatewright/sync/storetest"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// link is the n-th batch of an actor: one change and its entry, depending on
// the one before, in a document of the actor's own.
func link(site, actor string, n int) hub.Batch {
	name := func(n int) change.Hash { return sha256.Sum256(fmt.Appendf(nil, "%s/%s/%d", site, actor, n)) }
	c := hub.StoredChange{
		Hash: name(n), Actor: change.Actor(actor), Seq: uint64(n), Bytes: fmt.Appendf(nil, "change %s/%d", actor, n), Device: "d-" + site,
		Entries: []hub.EntryRow{{ID: fmt.Sprintf("%s/%d", actor, n), Person: "p1"}},
	}
	if n > 1 {
		c.Deps = []change.Hash{name(n - 1)}
	}
	return hub.Batch{Site: site, Doc: "log/" + actor, DocID: site + "/" + actor, Changes: []hub.StoredChange{c}, Now: int64(n)}
}

func ready(t testing.TB, db *DB, sites ...string) {
	t.Helper()
	for _, s := range sites {
		putSite(t, db, s)
		putDevice(t, db, s, admit.Author{Device: "d-" + s})
	}
}

// Two nodes, many writers, few sites: all is stored, and what got in another's
// way was tried again.
func TestManyWritersAtTwoNodes(t *testing.T) {
	a, dsn := fresh(t)
	b := open(t, dsn, Options{})
	ready(t, a, "s1", "s2")
	const writers, length = 24, 8
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for n := 1; n <= length; n++ {
				if err := []*DB{a, b}[(w+n)%2].Append(t.Context(), link(fmt.Sprintf("s%d", 1+w%2), fmt.Sprintf("w%d", w), n)); err != nil {
					t.Errorf("writer %d, batch %d: %v", w, n, err)
				}
			}
		})
	}
	wg.Wait()
	for w := range writers {
		changes, _, err := a.Load(t.Context(), fmt.Sprintf("s%d", 1+w%2), fmt.Sprintf("log/w%d", w))
		if err != nil || len(changes) != length {
			t.Errorf("writer %d: %d changes, %v", w, len(changes), err)
		}
	}
	var revisions int
	if err := b.Reader().QueryRow(`SELECT SUM(revision) FROM sites`).Scan(&revisions); err != nil || revisions != writers*length {
		t.Errorf("the sites' revisions add up to %d, %v; want %d", revisions, err, writers*length)
	}
}

// Who revokes a device waits for the append that has found it allowed.
func TestRevocationWaitsForAnAppend(t *testing.T) {
	db, _ := fresh(t)
	ready(t, db, "s1")
	if err := db.Append(t.Context(), link("s1", "a", 1)); err != nil {
		t.Fatal(err)
	}
	// Somebody else is about to use the entry id of the next batch, so that its
	// append stands still behind the look at the device.
	next := link("s1", "a", 2)
	other, err := db.writer.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer other.Rollback()
	if _, err := other.Exec(`INSERT INTO entries (site_id, id, doc_id, hash, person)
		SELECT site_id, $1, doc_id, hash, person FROM entries WHERE id = 'a/1'`, next.Changes[0].Entries[0].ID); err != nil {
		t.Fatal(err)
	}
	answer := make(chan error, 1)
	go func() { answer <- db.Append(context.Background(), next) }()
	for waiting := 0; waiting == 0; {
		if err := db.Reader().QueryRow(`SELECT COUNT(*) FROM pg_stat_activity
			WHERE datname = current_database() AND wait_event_type = 'Lock'`).Scan(&waiting); err != nil {
			t.Fatal(err)
		}
	}
	revoke := func() error {
		tx, err := db.writer.Begin()
		if err != nil {
			return err
		}
		defer tx.Rollback()
		if _, err := tx.Exec(`SET LOCAL lock_timeout = '50ms'`); err != nil {
			return err
		}
		if _, err := tx.Exec(`UPDATE devices SET revoked_at = 7 WHERE id = 'd-s1'`); err != nil {
			return err
		}
		return tx.Commit()
	}
	const lockNotAvailable = "55P03"
	if err := revoke(); codeOf(err) != lockNotAvailable {
		t.Errorf("a device was revoked in the middle of its append: %v", err)
	}
	if err := other.Rollback(); err != nil {
		t.Fatal(err)
	}
	if err := <-answer; err != nil {
		t.Errorf("the append: %v", err)
	}
	if err := revoke(); err != nil {
		t.Errorf("revoking afterwards: %v", err)
	}
}

// What reads and then decides is right without locks: as if each were alone.
func TestWriteIsSerializable(t *testing.T) {
	a, dsn := fresh(t)
	b := open(t, dsn, Options{})
	var again atomic.Int64
	for _, db := range []*DB{a, b} {
		db.retried = func(err error) {
			if code := codeOf(err); code != serializationFailure && code != deadlockDetected {
				t.Errorf("tried again after %v", err)
			}
			again.Add(1)
		}
	}
	mustExec(t, a, `INSERT INTO settings (key, value) VALUES ('left', '5')`)
	const takers = 16
	var taken atomic.Int64
	var wg sync.WaitGroup
	for n := range takers {
		wg.Go(func() {
			var got bool
			err := []*DB{a, b}[n%2].Write(t.Context(), func(tx *sql.Tx) error {
				var left int
				if err := tx.QueryRow(`SELECT CAST(value AS BIGINT) - (SELECT COUNT(*) FROM settings WHERE key <> 'left') FROM settings WHERE key = 'left'`).Scan(&left); err != nil {
					return err
				}
				if got = left > 0; !got {
					return nil
				}
				_, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ($1, '')`, fmt.Sprint("taker ", n))
				return err
			})
			if err != nil {
				t.Errorf("taker %d: %v", n, err)
			}
			if got {
				taken.Add(1)
			}
		})
	}
	wg.Wait()
	if taken.Load() != 5 {
		t.Errorf("%d took one of 5", taken.Load())
	}
	if again.Load() == 0 {
		t.Error("nothing was tried again: the takers did not get in each other's way, and this shows nothing")
	}
	t.Logf("%d tries more for %d takers", again.Load(), takers)
}

// A unit that is broken off for good gives up after a bounded number of tries,
// with pauses drawn from the source it was given, and leaves nothing.
func TestTriesAreBounded(t *testing.T) {
	var pauses []int64
	db, err := Open(t.Context(), pgtest.Start(t), Options{Random: func(n int64) int64 { pauses = append(pauses, n); return 0 }})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for code, tries := range map[string]int{serializationFailure: attempts, deadlockDetected: attempts, uniqueViolation: 1, diskFull: 1} {
		pauses = nil
		runs := 0
		err := db.Write(t.Context(), func(tx *sql.Tx) error {
			runs++
			if _, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('a', '')`); err != nil {
				return err
			}
			return fmt.Errorf("on purpose: %w", &pgconn.PgError{Code: code})
		})
		if err == nil || codeOf(err) != code || runs != tries || len(pauses) != tries-1 {
			t.Errorf("%s: %d runs, %d pauses, %v; want %d runs", code, runs, len(pauses), err, tries)
		}
		for i, p := range pauses {
			if p < int64(firstPause) || p > int64(longestPause) || i > 0 && p < pauses[i-1] {
				t.Errorf("%s: the pauses grow like %v", code, pauses)
				break
			}
		}
	}
	// Done at the third try, and once.
	runs := 0
	err = db.Write(t.Context(), func(tx *sql.Tx) error {
		if runs++; runs < 3 {
			return &pgconn.PgError{Code: serializationFailure}
		}
		_, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('b', '')`)
		return err
	})
	var rows int
	if scan := db.Reader().QueryRow(`SELECT COUNT(*) FROM settings`).Scan(&rows); err != nil || runs != 3 || scan != nil || rows != 1 {
		t.Errorf("%v after %d runs; %d rows, %v", err, runs, rows, scan)
	}
	// A context that ends meanwhile ends the tries.
	ctx, cancel := context.WithCancel(t.Context())
	err = db.Write(ctx, func(*sql.Tx) error { cancel(); return &pgconn.PgError{Code: serializationFailure} })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled between tries: %v", err)
	}
}

// A function that panics or hides the failure of its statement leaves nothing,
// and no connection is lost with it.
func TestAWriteThatMisbehaves(t *testing.T) {
	db, _ := fresh(t)
	for range writers + 1 { // more than there are connections
		func() {
			defer func() { _ = recover() }()
			_ = db.Write(t.Context(), func(tx *sql.Tx) error {
				if _, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('a', '')`); err != nil {
					t.Error(err)
				}
				panic("on purpose")
			})
		}()
		err := db.Write(t.Context(), func(tx *sql.Tx) error {
			_, _ = tx.Exec(`INSERT INTO settings (key, value) VALUES ('b', '')`)
			_, _ = tx.Exec(`INSERT INTO no_such_table VALUES (1)`)
			return nil
		})
		if err == nil {
			t.Fatal("a write whose statement failed said that it was done")
		}
	}
	var rows int
	if err := db.Reader().QueryRow(`SELECT COUNT(*) FROM settings`).Scan(&rows); err != nil || rows != 0 {
		t.Errorf("%d rows, %v", rows, err)
	}
}

func TestContextOfAWrite(t *testing.T) {
	db, _ := fresh(t)
	ready(t, db, "s1")
	// One that ends while it is written: stored, and said to be.
	ctx, cancel := context.WithCancel(t.Context())
	err := db.Write(ctx, func(tx *sql.Tx) error {
		cancel()
		_, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('a', 'b')`)
		return err
	})
	var n int
	if scan := db.Reader().QueryRow(`SELECT COUNT(*) FROM settings`).Scan(&n); scan != nil || n != 1 || err != nil {
		t.Errorf("cancelled while written: %v; %d rows, %v", err, n, scan)
	}
	// Many that end at any time: nil exactly when stored.
	for i := range 60 {
		ctx, cancel := context.WithCancel(t.Context())
		go func() {
			for range i * i {
				sha256.Sum256([]byte{1})
			}
			cancel()
		}()
		actor := fmt.Sprintf("x%d", i)
		err := db.Append(ctx, link("s1", actor, 1))
		changes, _, load := db.Load(t.Context(), "s1", "log/"+actor)
		if load != nil || (len(changes) == 1) != (err == nil) {
			t.Errorf("%s: %d stored, answer %v, %v", actor, len(changes), err, load)
		}
		cancel()
	}
}

func TestReaderRefusesToWrite(t *testing.T) {
	db, _ := fresh(t)
	_, err := db.Reader().Exec(`INSERT INTO settings (key, value) VALUES ('a', 'b')`)
	if !errors.Is(marked(err), ErrReadOnly) {
		t.Errorf("a reader wrote: %v", err)
	}
}

func TestClosed(t *testing.T) {
	db, dsn := fresh(t)
	ready(t, db, "s1")
	const writing = 8
	counts := make([]int, writing)
	var wg sync.WaitGroup
	first := make(chan struct{}, writing)
	for w := range writing {
		wg.Go(func() {
			for n := 1; ; n++ {
				if err := db.Append(context.Background(), link("s1", fmt.Sprintf("w%d", w), n)); err != nil {
					if !errors.Is(err, ErrClosed) {
						t.Errorf("writer %d: %v, want ErrClosed", w, err)
					}
					return
				}
				counts[w] = n
				if n == 1 {
					first <- struct{}{}
				}
			}
		})
	}
	for range writing {
		<-first
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	wg.Wait()
	if _, _, err := db.Load(t.Context(), "s1", "log/w0"); !errors.Is(err, ErrClosed) {
		t.Errorf("Load: %v, want ErrClosed", err)
	}
	again := open(t, dsn, Options{})
	for w, n := range counts {
		changes, _, err := again.Load(t.Context(), "s1", fmt.Sprintf("log/w%d", w))
		if err != nil || len(changes) != n {
			t.Errorf("writer %d was told of %d batches, %d are there, %v", w, n, len(changes), err)
		}
	}
}

// The server is killed under load, some times over. What was acknowledged is
// there; what failed may be asked again; and the store goes on by itself.
func TestServerKilled(t *testing.T) {
	server := pgtest.Own(t, pgtest.Options{})
	dsn, err := server.Database(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	db := open(t, dsn, Options{})
	ready(t, db, "s1")
	const writing = 6
	counts := make([]int, writing)
	for range 3 {
		var wg sync.WaitGroup
		begun := make(chan struct{}, writing)
		for w := range writing {
			wg.Go(func() {
				said := false
				for n := counts[w] + 1; ; n++ {
					if err := db.Append(context.Background(), link("s1", fmt.Sprintf("w%d", w), n)); err != nil {
						if !errors.Is(err, ErrUnavailable) {
							t.Errorf("writer %d: %v", w, err)
						}
						if _, refused := errors.AsType[*hub.StoreError](err); refused {
							t.Errorf("writer %d was refused", w)
						}
						break
					}
					counts[w] = n
					if !said {
						begun <- struct{}{}
						said = true
					}
				}
				if !said {
					begun <- struct{}{}
				}
			})
		}
		for range writing {
			<-begun
		}
		if err := server.Kill(); err != nil {
			t.Fatal(err)
		}
		wg.Wait()
		if err := server.Restart(t.Context()); err != nil {
			t.Fatal(err)
		}
		for w, n := range counts {
			changes, _, err := db.Load(t.Context(), "s1", fmt.Sprintf("log/w%d", w))
			if err != nil || len(changes) != n && len(changes) != n+1 {
				t.Errorf("writer %d was told of %d batches, %d are there, %v", w, n, len(changes), err)
			}
		}
	}
	t.Logf("acknowledged: %v", counts)
}

// A connection that the administrator ends takes its unit with it before the
// commit, and the unit is run again.
func TestConnectionEndedByTheAdministrator(t *testing.T) {
	db, _ := fresh(t)
	runs := 0
	err := db.Write(t.Context(), func(tx *sql.Tx) error {
		runs++
		if _, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('a', '')`); err != nil {
			return err
		}
		if runs == 1 {
			var pid int
			if err := tx.QueryRow(`SELECT pg_backend_pid()`).Scan(&pid); err != nil {
				return err
			}
			if _, err := db.reader.Exec(`SELECT pg_terminate_backend($1, 10000)`, pid); err != nil {
				return err
			}
		}
		_, err := tx.Exec(`INSERT INTO settings (key, value) VALUES ('b', '')`)
		return err
	})
	var rows int
	if scan := db.Reader().QueryRow(`SELECT COUNT(*) FROM settings`).Scan(&rows); err != nil || runs != 2 || scan != nil || rows != 2 {
		t.Errorf("%v after %d runs; %d rows, %v", err, runs, rows, scan)
	}
}

func TestCodes(t *testing.T) {
	for _, c := range []struct {
		err  error
		want error
	}{
		{&pgconn.PgError{Code: "53100"}, ErrFull},
		{&pgconn.PgError{Code: "53100"}, hub.ErrFull},
		{&pgconn.PgError{Code: "53300"}, ErrBusy},
		{&pgconn.PgError{Code: "57P01"}, ErrUnavailable},
		{&pgconn.PgError{Code: "57P02"}, ErrUnavailable},
		{&pgconn.PgError{Code: "57P03"}, ErrUnavailable},
		{&pgconn.PgError{Code: "08006"}, ErrUnavailable},
		{&pgconn.PgError{Code: "25006"}, ErrReadOnly},
		{pgconn.ErrReadOnlyConnection, ErrReadOnly},
		{io.ErrUnexpectedEOF, ErrUnavailable},
		{driver.ErrBadConn, ErrUnavailable},
		{pgconn.ErrConnClosed, ErrUnavailable},
		{&net.OpError{Op: "read", Err: errors.New("connection reset")}, ErrUnavailable},
	} {
		if err := fmt.Errorf("doing something: %w", c.err); !errors.Is(marked(err), c.want) {
			t.Errorf("%v is marked as %v, want %v", c.err, marked(err), c.want)
		}
	}
	for _, err := range []error{&pgconn.PgError{Code: "23505"}, &hub.StoreError{Code: hub.StoreSite}, context.Canceled, context.DeadlineExceeded, sql.ErrNoRows} {
		if marked(err) != err || lost(err) || brokenOff(err) {
			t.Errorf("%v is taken for something else", err)
		}
	}
}

// Many nodes make the tables of one empty database at once.
func TestMigratingTogether(t *testing.T) {
	dsn := pgtest.Start(t)
	var wg sync.WaitGroup
	dbs := make([]*DB, 8)
	for n := range dbs {
		wg.Go(func() {
			var err error
			if dbs[n], err = Open(t.Context(), dsn, Options{}); err != nil {
				t.Errorf("node %d: %v", n, err)
			}
		})
	}
	wg.Wait()
	versions := map[int]int{}
	for _, db := range dbs {
		if db == nil {
			continue
		}
		var sum, rows int
		if err := db.Reader().QueryRow(`SELECT SUM(version_id), COUNT(*) FROM goose_db_version`).Scan(&sum, &rows); err != nil {
			t.Error(err)
		}
		versions[rows] = sum
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	}
	files, err := migrations.ReadDir("migrations")
	if err != nil {
		t.Fatal(err)
	}
	n := len(files)
	if len(versions) != 1 || versions[n+1] != n*(n+1)/2 {
		t.Errorf("versions: %v, want each of %d files once", versions, n)
	}
}

func TestNewer(t *testing.T) {
	db, dsn := fresh(t)
	mustExec(t, db, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, true)`)
	if _, err := Open(t.Context(), dsn, Options{}); !errors.Is(err, ErrNewer) {
		t.Errorf("a newer database: %v", err)
	}
}

// A connection is used only when its commits wait for the disk.
func TestSettings(t *testing.T) {
	t.Run("a commit that does not wait is made to", func(t *testing.T) {
		db, dsn := fresh(t)
		mustExec(t, db, fmt.Sprintf(`ALTER DATABASE %s SET synchronous_commit = off`, databaseOf(t, dsn)))
		again := open(t, dsn, Options{})
		for _, pool := range []*sql.DB{again.writer, again.reader} {
			var got string
			if err := pool.QueryRow(`SHOW synchronous_commit`).Scan(&got); err != nil || got != "on" {
				t.Errorf("synchronous_commit is %s, %v", got, err)
			}
		}
	})
	t.Run("remote_apply is left as it is", func(t *testing.T) {
		db, dsn := fresh(t)
		mustExec(t, db, fmt.Sprintf(`ALTER DATABASE %s SET synchronous_commit = remote_apply`, databaseOf(t, dsn)))
		var got string
		if err := open(t, dsn, Options{}).writer.QueryRow(`SHOW synchronous_commit`).Scan(&got); err != nil || got != "remote_apply" {
			t.Errorf("synchronous_commit is %s, %v", got, err)
		}
	})
	for _, weak := range []string{"off", "local", "remote_write"} {
		t.Run("one that stays "+weak+" is refused", func(t *testing.T) {
			_, err := Open(t.Context(), pgtest.Start(t), Options{synchronous: weak})
			if !errors.Is(err, ErrSettings) || !strings.Contains(err.Error(), "synchronous_commit is "+weak) {
				t.Errorf("got %v", err)
			}
		})
	}
	t.Run("a server without fsync is refused", func(t *testing.T) {
		s := pgtest.Own(t, pgtest.Options{Settings: map[string]string{"fsync": "off"}})
		_, err := Open(t.Context(), s.DSN("postgres"), Options{})
		if !errors.Is(err, ErrSettings) || !strings.Contains(err.Error(), "fsync is off") {
			t.Errorf("got %v", err)
		}
	})
	t.Run("a server without full pages is warned of, once", func(t *testing.T) {
		s := pgtest.Own(t, pgtest.Options{Settings: map[string]string{"full_page_writes": "off"}})
		var said bytes.Buffer
		open(t, s.DSN("postgres"), Options{Log: slog.New(slog.NewTextHandler(&said, nil))})
		if strings.Count(said.String(), "full_page_writes is off") != 1 {
			t.Errorf("said %q", said.String())
		}
	})
	t.Run("another encoding is refused", func(t *testing.T) {
		dsn := pgtest.Start(t)
		conn, err := pgx.Connect(t.Context(), dsn)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close(context.Background())
		if _, err := conn.Exec(t.Context(), `CREATE DATABASE latin ENCODING LATIN1 LOCALE 'C' LOCALE_PROVIDER libc TEMPLATE template0`); err != nil {
			t.Fatal(err)
		}
		u, _ := url.Parse(dsn)
		u.Path = "/latin"
		if _, err := Open(t.Context(), u.String(), Options{}); !errors.Is(err, ErrSettings) || !strings.Contains(err.Error(), "LATIN1") {
			t.Errorf("got %v", err)
		}
	})
}

func databaseOf(t *testing.T, dsn string) string {
	t.Helper()
	u, err := url.Parse(dsn)
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimPrefix(u.Path, "/")
}

// No error repeats the password.
func TestWhatCannotBeOpened(t *testing.T) {
	const password = "hay-and-straw"
	there, err := url.Parse(pgtest.Start(t))
	if err != nil {
		t.Fatal(err)
	}
	there.User = url.UserPassword("nobody-here", password)
	stranger := there.String()
	there.User, there.Path = url.UserPassword("gatewright", password), "/no_such_database"
	missing := there.String()
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range []struct {
		name, dsn string
		ctx       context.Context
		want      error
	}{
		{"nothing", "", t.Context(), ErrAddress},
		{"another scheme", "mysql://dan:" + password + "@host/name", t.Context(), ErrAddress},
		{"a bad port", "postgres://dan:" + password + "@host:port/name", t.Context(), ErrAddress},
		{"a bad escape", "postgres://dan:%zz" + password + "@host/name", t.Context(), ErrAddress},
		{"nobody there", "postgres://dan:" + password + "@/name?host=" + t.TempDir(), t.Context(), ErrUnavailable},
		{"an unknown user", stranger, t.Context(), nil},
		{"an unknown database", missing, t.Context(), nil},
		{"a context that has ended", stranger, ended, context.Canceled},
	} {
		db, err := Open(c.ctx, c.dsn, Options{})
		if err == nil {
			t.Errorf("%s: opened", c.name)
			db.Close()
			continue
		}
		if c.want != nil && !errors.Is(err, c.want) || strings.Contains(err.Error(), password) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

var _ storetest.Node = (*DB)(nil)
