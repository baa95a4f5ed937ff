package pgstore

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"net"
	"net/url"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"gatewright/sync/hub"
	"gatewright/sync/sqlstore"
)

// wire is a network between a node and the server that can be cut at a commit.
type wire struct {
	net.Listener
	socket string       // the server's
	cut    atomic.Int32 // at the next commit: 0 not, or one of the following
	cuts   atomic.Int32
}

const (
	before = 1 // the server never sees it
	after  = 2 // the server has done it, and its answer is lost
)

// through gives the address of a database by way of a wire.
func through(t *testing.T, dsn string) (*wire, string) {
	t.Helper()
	u, err := url.Parse(dsn)
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{socket: filepath.Join(u.Query().Get("host"), ".s.PGSQL.5432")}
	if w.Listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.Close() })
	go func() {
		for {
			c, err := w.Accept()
			if err != nil {
				return
			}
			go w.carry(c)
		}
	}()
	u.Host, u.RawQuery = w.Addr().String(), "sslmode=disable"
	return w, u.String()
}

func (w *wire) carry(client net.Conn) {
	defer client.Close()
	server, err := net.Dial("unix", w.socket)
	if err != nil {
		return
	}
	defer server.Close()
	var deaf atomic.Bool // the answer is heard here and not passed on
	go func() {
		defer client.Close()
		buf := make([]byte, 1<<16)
		for {
			n, err := server.Read(buf)
			if err != nil || deaf.Load() {
				return
			}
			if _, err := client.Write(buf[:n]); err != nil {
				return
			}
		}
	}()
	buf := make([]byte, 1<<16)
	for {
		n, err := client.Read(buf)
		if err != nil {
			return
		}
		if bytes.Contains(buf[:n], []byte("commit\x00")) {
			switch w.cut.Swap(0) {
			case before:
				w.cuts.Add(1)
				return
			case after:
				w.cuts.Add(1)
				deaf.Store(true)
			}
		}
		if _, err := server.Write(buf[:n]); err != nil {
			return
		}
	}
}

// A connection lost during the commit: whether it took place is not known, so
// the answer is an error that is no refusal, nothing is tried again behind the
// caller's back, and asking again is right in both cases.
func TestConnectionLostDuringTheCommit(t *testing.T) {
	direct, dsn := fresh(t)
	ready(t, direct, "s1")
	w, address := through(t, dsn)
	db := open(t, address, Options{})
	db.retried = func(err error) { t.Errorf("tried again after %v", err) }
	if err := db.Append(t.Context(), link("s1", "a", 1)); err != nil {
		t.Fatal(err)
	}
	for n, when := range []int32{before, after, before, after} {
		b := link("s1", "a", n+2)
		w.cut.Store(when)
		err := db.Append(t.Context(), b)
		if _, refused := errors.AsType[*hub.StoreError](err); err == nil || refused || !errors.Is(err, ErrUnavailable) {
			t.Errorf("cut %d: %v, want the server to be unavailable", when, err)
		}
		if w.cuts.Load() != int32(n+1) {
			t.Fatalf("nothing was cut")
		}
		for range 2 {
			if err := db.Append(t.Context(), b); err != nil {
				t.Fatalf("asking again after cut %d: %v", when, err)
			}
		}
		changes, _, err := direct.Load(t.Context(), "s1", b.Doc)
		if err != nil || len(changes) != n+2 {
			t.Errorf("after cut %d: %d changes, %v; want %d", when, len(changes), err, n+2)
		}
	}
	var revision int
	if err := direct.Reader().QueryRow(`SELECT revision FROM sites WHERE id = 's1'`).Scan(&revision); err != nil || revision != 5 {
		t.Errorf("%d batches were stored, %v; want 5", revision, err)
	}
}

// A server that does not answer in time is away, whether it works on a unit or
// all connections wait for it; a caller's own deadline is no fault of it.
func TestServerThatDoesNotAnswer(t *testing.T) {
	db, _ := fresh(t)
	slow := func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `SELECT pg_sleep(60)`)
		return err
	}
	db.retried = func(err error) { t.Errorf("tried again after %v", err) }
	db.within = 200 * time.Millisecond
	for what, run := range map[string]func(context.Context, sqlstore.Unit) error{"writing": db.locked, "reading": db.read} {
		if err := run(t.Context(), slow); !errors.Is(err, ErrUnavailable) || !errors.Is(err, hub.ErrAway) {
			t.Errorf("%s: %v, want the server to be unavailable", what, err)
		}
	}
	for range readers {
		conn, err := db.reader.Conn(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
	}
	if err := db.read(t.Context(), slow); !errors.Is(err, ErrUnavailable) {
		t.Errorf("no connection is free: %v, want the server to be unavailable", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := db.read(ctx, slow); !errors.Is(err, context.DeadlineExceeded) || errors.Is(err, ErrUnavailable) {
		t.Errorf("the caller's deadline: %v", err)
	}
}
