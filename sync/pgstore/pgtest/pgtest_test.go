//go:build unix

package pgtest

import (
	"context"
	"errors"
	"os"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

func ask(t *testing.T, dsn, query string) (got string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), dsn)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if err := conn.QueryRow(t.Context(), query).Scan(&got); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return got
}

func TestFreshDatabases(t *testing.T) {
	a, b := Start(t), Start(t)
	if a == b {
		t.Fatalf("two tests got %s", a)
	}
	for name, want := range map[string]string{"fsync": "on", "synchronous_commit": "on", "full_page_writes": "on", "listen_addresses": "", "server_encoding": "UTF8"} {
		if got := ask(t, a, "SELECT current_setting('"+name+"')"); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
}

func TestCopies(t *testing.T) {
	made := 0
	prepare := func(ctx context.Context, dsn string) error {
		made++
		conn, err := pgx.Connect(ctx, dsn)
		if err != nil {
			return err
		}
		_, err = conn.Exec(ctx, `CREATE TABLE model AS SELECT 'filled' AS x`)
		return errors.Join(err, conn.Close(ctx))
	}
	a, b := StartFrom(t, prepare), StartFrom(t, prepare)
	if a == b || made != 1 {
		t.Errorf("%s and %s, made %d times", a, b, made)
	}
	if got := ask(t, a, `WITH gone AS (DELETE FROM model RETURNING x) SELECT x FROM gone`); got != "filled" {
		t.Errorf("a copy holds %q", got)
	}
	if got := ask(t, b, `SELECT x FROM model`); got != "filled" {
		t.Errorf("the other copy holds %q", got)
	}
}

// What was committed is there after a kill, and the folder goes away at the end.
func TestKillAndRestart(t *testing.T) {
	s := Own(t, Options{Settings: map[string]string{"max_connections": "20"}})
	dsn, err := s.Database(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if got := ask(t, dsn, "SELECT current_setting('max_connections')"); got != "20" {
		t.Errorf("max_connections is %s", got)
	}
	conn, err := pgx.Connect(t.Context(), dsn)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(t.Context(), `CREATE TABLE kept (x TEXT)`); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if _, err := conn.Exec(t.Context(), `INSERT INTO kept VALUES ('k')`); err != nil {
			t.Fatal(err)
		}
		if err := s.Kill(); err != nil {
			t.Fatal(err)
		}
		if err := conn.Ping(t.Context()); err == nil {
			t.Error("a killed server answers")
		}
		if s.Pid() != 0 {
			t.Error("a killed server has a process")
		}
		if err := s.Restart(t.Context()); err != nil {
			t.Fatal(err)
		}
		if conn, err = pgx.Connect(t.Context(), dsn); err != nil {
			t.Fatal(err)
		}
	}
	if got := ask(t, dsn, "SELECT COUNT(*)::TEXT FROM kept"); got != "3" {
		t.Errorf("%s rows of 3", got)
	}
	conn.Close(t.Context())
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(s.Data()); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the data folder is still there: %v", err)
	}
}

// A server that cannot start says why, and leaves nothing.
func TestBadSetting(t *testing.T) {
	if _, err := find(); err != nil {
		unless(t, err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	if s, err := Run(ctx, Options{Settings: map[string]string{"no_such_setting": "1"}}); err == nil {
		s.Stop()
		t.Error("a server with a setting that does not exist started")
	} else {
		t.Log(err)
	}
}
