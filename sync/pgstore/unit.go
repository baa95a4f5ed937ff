package pgstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"gatewright/sync/hub"
	"gatewright/sync/sqlstore"
)

// A unit that is broken off is run attempts times at most. The pause before the
// n-th repeat is of random length up to firstPause << n or longestPause: 1.5
// seconds all together at most, half of that on average.
const (
	attempts     = 12
	firstPause   = 4 * time.Millisecond
	longestPause = 256 * time.Millisecond
)

// within bounds one run of a unit, and the wait for a connection before it: a
// server that stopped answering must not hold its caller for ever.
const within = 30 * time.Second

var (
	serializable = sql.TxOptions{Isolation: sql.LevelSerializable}
	committed    = sql.TxOptions{Isolation: sql.LevelReadCommitted}
	snapshot     = sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true}
)

// Write runs fn inside a transaction of its own, as if no other ran at the same
// time, and returns nil when what it did is on the disk. An error of fn undoes
// it and is returned. fn must not commit or roll it back, should do nothing
// slow, and may be run again from the start when it got in another's way. A
// context that ends before fn was started means that fn did not run.
func (db *DB) Write(ctx context.Context, fn func(tx *sql.Tx) error) error {
	err := db.run(ctx, db.writer, serializable, func(_ context.Context, tx *sql.Tx) error { return fn(tx) })
	if _, refused := errors.AsType[*hub.StoreError](err); err == nil || refused {
		return err
	}
	return fmt.Errorf("writing to the database: %w", err)
}

// locked runs a unit that locks what it relies on.
func (db *DB) locked(ctx context.Context, unit sqlstore.Unit) error {
	return db.run(ctx, db.writer, committed, unit)
}

func (db *DB) read(ctx context.Context, unit sqlstore.Unit) error {
	return db.run(ctx, db.reader, snapshot, unit)
}

// run runs a unit until it is done or fails for good.
func (db *DB) run(ctx context.Context, pool *sql.DB, o sql.TxOptions, unit sqlstore.Unit) error {
	for n := 0; ; n++ {
		if db.isClosed() {
			return ErrClosed
		}
		if err := ctx.Err(); err != nil {
			return err // what ran before was undone
		}
		again, err := once(ctx, db.within, pool, o, unit)
		if err == nil || !again || n+1 == attempts {
			return marked(err)
		}
		if db.retried != nil {
			db.retried(err)
		}
		pause := time.NewTimer(time.Duration(db.random(int64(min(firstPause<<n, longestPause)))))
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
			return ctx.Err()
		case <-db.closing:
			pause.Stop()
			return ErrClosed
		}
	}
}

// once runs a unit once. When it says that the unit may be run again, nothing
// of it is stored.
func once(ctx context.Context, within time.Duration, pool *sql.DB, o sql.TxOptions, unit sqlstore.Unit) (again bool, err error) {
	waiting, enough := context.WithTimeout(ctx, within)
	defer enough()
	conn, err := pool.Conn(waiting)
	if err != nil {
		if ctx.Err() == nil && waiting.Err() != nil {
			return false, fmt.Errorf("%w: %w", ErrUnavailable, err)
		}
		return lost(err) || codeOf(err) == tooManyConnections, err
	}
	defer conn.Close()
	// What has begun does not end with its caller, or a commit under way might
	// take place behind an error.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), within)
	defer cancel()
	defer func() {
		if err != nil && ctx.Err() != nil {
			err = fmt.Errorf("%w: %w", ErrUnavailable, err)
		}
	}()
	tx, err := conn.BeginTx(ctx, &o)
	if err != nil {
		return lost(err), fmt.Errorf("beginning: %w", err)
	}
	ended := false
	defer func() {
		if !ended { // also when the unit panics
			_ = tx.Rollback() // a connection on which that fails is dropped
		}
	}()
	if err := unit(ctx, tx); err != nil {
		return brokenOff(err) || lost(err), err
	}
	ended = true
	if err := tx.Commit(); err != nil {
		return brokenOff(err), fmt.Errorf("committing: %w", err)
	}
	return false, nil
}
