package pgstore

import (
	"context"
	"fmt"
	"log/slog"
	"sync"

	"github.com/jackc/pgx/v5"
)

// checker lets no connection through on which an acknowledged write might be
// lost.
type checker struct {
	log         *slog.Logger
	synchronous string // for tests; "" = on
	warned      sync.Once
}

// What is read back of a connection. A database that is no PostgreSQL itself
// may lack the settings of PostgreSQL's disk; it answers for its own.
const readBack = `SELECT current_setting('synchronous_commit'), COALESCE(current_setting('fsync', true), ''),
	COALESCE(current_setting('full_page_writes', true), ''), COALESCE(current_setting('server_encoding', true), '')`

func (c *checker) connected(ctx context.Context, conn *pgx.Conn, readOnly bool) error {
	var synchronous, fsync, pages, encoding string
	read := func() error {
		if err := conn.QueryRow(ctx, readBack).Scan(&synchronous, &fsync, &pages, &encoding); err != nil {
			return fmt.Errorf("reading the database's settings: %w", err)
		}
		return nil
	}
	if err := read(); err != nil {
		return err
	}
	if !waits(synchronous) || c.synchronous != "" {
		want := "on"
		if c.synchronous != "" {
			want = c.synchronous
		}
		if _, err := conn.Exec(ctx, "SET synchronous_commit = "+want); err != nil {
			return fmt.Errorf("setting synchronous_commit: %w", err)
		}
		if err := read(); err != nil {
			return err
		}
	}
	switch {
	case !waits(synchronous):
		return fmt.Errorf("%w: synchronous_commit is %s, want on: what is acknowledged could be lost", ErrSettings, synchronous)
	case fsync == "off":
		return fmt.Errorf("%w: fsync is off, want on: what is acknowledged could be lost", ErrSettings)
	case encoding != "" && encoding != "UTF8":
		return fmt.Errorf("%w: its encoding is %s, want UTF8", ErrSettings, encoding)
	case pages == "off" && c.log != nil:
		c.warned.Do(func() {
			c.log.Warn("the database server writes no full pages (full_page_writes is off): unless its file system never tears a page, a loss of power can destroy what was acknowledged")
		})
	}
	// A node that froze in the middle of a unit must not keep a site to itself.
	if _, err := conn.Exec(ctx, "SET idle_in_transaction_session_timeout = 60000"); err != nil {
		return fmt.Errorf("limiting idle transactions: %w", err)
	}
	if readOnly {
		if _, err := conn.Exec(ctx, "SET default_transaction_read_only = on"); err != nil {
			return fmt.Errorf("making a connection read only: %w", err)
		}
	}
	return nil
}

// waits tells whether a commit waits for the disk under a setting: remote_apply
// waits for more than on does. The others wait for less than the server's
// standbys, or for nothing.
func waits(synchronous string) bool { return synchronous == "on" || synchronous == "remote_apply" }
