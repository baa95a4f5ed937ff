package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"runtime/debug"

	"gatewright/sync/hub"
	"gatewright/sync/sqlstore"
)

// maxGroup is how many units share one transaction at most: enough that a
// burst costs a few syncs, few enough that the first is not kept waiting.
const maxGroup = 128

// A unit is one piece of writing that is done whole or not at all. The store's
// own run in the writer's goroutine. Those of other packages run in the
// goroutine of the caller, when the writer hands it the transaction, so that a
// panic or an exit there ends the caller and not the writer.
type unit struct {
	own    sqlstore.Unit // nil for those of others
	turn   chan *sql.Tx
	result chan error // of the function, once per turn
	done   chan error // the answer
	err    error      // what the function returned last; only the writer looks
}

// errLeft is the result of a function that did not return.
var errLeft = errors.New("the function that writes did not return")

// Write runs fn inside a transaction and returns nil when what it did is on
// the disk. An error of fn undoes it and is returned. The transaction is shared
// with other writes, so fn must not commit or roll it back, should do nothing
// slow, and may be run again from the start when a neighbour broke the
// transaction. A context that ends before fn was started means that fn did not
// run; one that ends later is not looked at, so that nothing is committed
// behind an error.
func (db *DB) Write(ctx context.Context, fn func(tx *sql.Tx) error) error {
	err := marked(db.queue(ctx, func(_ context.Context, tx *sql.Tx) error { return fn(tx) }, false))
	if _, refused := errors.AsType[*hub.StoreError](err); err == nil || refused {
		return err
	}
	return fmt.Errorf("writing to the database: %w", err)
}

// write runs a unit of the store's own with a context that does not end: a
// caller that goes away must not undo its neighbours.
func (db *DB) write(ctx context.Context, fn sqlstore.Unit) error {
	return marked(db.queue(ctx, fn, true))
}

// read runs fn on one snapshot of the database.
func (db *DB) read(ctx context.Context, fn sqlstore.Unit) error {
	if db.isClosed() {
		return ErrClosed
	}
	tx, err := db.reader.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return marked(err)
	}
	err = fn(ctx, tx)
	// Nothing was written, and a context that ended has ended the transaction.
	if end := tx.Rollback(); end != nil && !errors.Is(end, sql.ErrTxDone) {
		err = errors.Join(err, end)
	}
	return marked(err)
}

func (db *DB) queue(ctx context.Context, fn sqlstore.Unit, own bool) error {
	if db.writer == nil {
		return ErrReadOnly
	}
	if db.isClosed() {
		return ErrClosed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	u := &unit{done: make(chan error, 1)}
	if own {
		u.own = fn
	} else {
		u.turn, u.result = make(chan *sql.Tx), make(chan error, 1)
	}
	select {
	case db.units <- u:
	case <-db.closing:
		return ErrClosed
	case <-ctx.Done():
		return ctx.Err()
	}
	for {
		select {
		case tx := <-u.turn:
			u.take(tx, fn)
		case err := <-u.done:
			return err
		}
	}
}

// take runs fn once and tells the writer how it went.
func (u *unit) take(tx *sql.Tx, fn sqlstore.Unit) {
	err := errLeft
	defer func() { u.result <- err }()
	err = fn(context.Background(), tx)
}

// Commits counts the transactions committed since Open, and the writes that
// were in them.
func (db *DB) Commits() (commits, writes uint64) {
	return db.commits.Load(), db.stored.Load()
}

// writeAll is the one goroutine that writes.
func (db *DB) writeAll() {
	defer close(db.stopped)
	for {
		select {
		case <-db.closing:
			return
		case u := <-db.units:
			db.commit(db.gather(u))
		}
	}
}

// gather adds what waits by now, without waiting for more: while one group is
// on its way to the disk the next one collects itself.
func (db *DB) gather(first *unit) []*unit {
	group := []*unit{first}
	for len(group) < maxGroup {
		select {
		case u := <-db.units:
			group = append(group, u)
		default:
			return group
		}
	}
	return group
}

// commit stores a group and answers each of its units. Nearly always all of
// them are good, and none needs a savepoint. When one is not, they are run
// again, each in its own; and when one breaks the transaction itself (a full
// disk, an interrupted statement), it alone is answered with the error and the
// rest is done once more without it.
func (db *DB) commit(group []*unit) {
	answer := func(err error) {
		for _, u := range group {
			if u.err == nil {
				u.err = err
			}
			u.done <- u.err
		}
	}
	if done, err := db.together(group); done {
		answer(err)
		return
	}
	for len(group) > 0 {
		broken, err := db.apart(group)
		if broken < 0 {
			answer(err)
			return
		}
		group[broken].done <- err
		group = append(group[:broken:broken], group[broken+1:]...)
	}
}

// together runs a group in one transaction without savepoints. It is not done
// when one of several units failed, and nothing is stored then. The error
// concerns every unit that has none of its own.
func (db *DB) together(group []*unit) (done bool, err error) {
	ctx := context.Background() // a caller that goes away must not undo its neighbours
	tx, err := db.writer.BeginTx(ctx, nil)
	if err != nil {
		return true, fmt.Errorf("beginning: %w", err)
	}
	db.running = 0
	for _, u := range group {
		if u.run(ctx, tx); u.err != nil {
			_ = tx.Rollback() // u.err says why
			return len(group) == 1, nil
		}
	}
	return true, db.end(tx, uint64(len(group)), db.running)
}

// apart runs a group in one transaction, each unit in a savepoint. It gives
// the index of the unit that broke the transaction with that unit's error; or
// -1, with the error that concerns every unit that has none of its own.
func (db *DB) apart(group []*unit) (broken int, err error) {
	ctx := context.Background()
	tx, err := db.writer.BeginTx(ctx, nil)
	if err != nil {
		return -1, fmt.Errorf("beginning: %w", err)
	}
	var good, batches uint64
	for i, u := range group {
		db.running = 0
		if err := u.inSavepoint(ctx, tx); err != nil {
			_ = tx.Rollback() // the transaction is gone or useless; err says why
			return i, err
		}
		if u.err == nil {
			good++
			batches += db.running
		}
	}
	if good == 0 {
		return -1, tx.Rollback()
	}
	return -1, db.end(tx, good, batches)
}

// end commits what so many units wrote, with so many batches of changes.
func (db *DB) end(tx *sql.Tx, good, batches uint64) error {
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("committing: %w", err)
	}
	db.commits.Add(1)
	db.stored.Add(good)
	db.batches += batches
	db.seen.note(db.batches)
	return nil
}

// run runs a unit once and leaves its error in it.
func (u *unit) run(ctx context.Context, tx *sql.Tx) {
	switch {
	case u.err == errLeft: // nobody is there to run it again
	case u.own == nil:
		u.turn <- tx
		u.err = <-u.result
	default:
		u.err = errLeft
		defer func() {
			if r := recover(); r != nil {
				u.err = fmt.Errorf("the function that writes failed: %v\n%s", r, debug.Stack())
			}
		}()
		u.err = u.own(ctx, tx)
	}
}

// inSavepoint runs a unit and leaves its own error in it. The error returned
// means that the transaction cannot go on.
func (u *unit) inSavepoint(ctx context.Context, tx *sql.Tx) error {
	if _, err := tx.ExecContext(ctx, "SAVEPOINT gatewright_unit"); err != nil {
		return fmt.Errorf("setting a savepoint: %w", err)
	}
	if u.run(ctx, tx); u.err != nil {
		if _, err := tx.ExecContext(ctx, "ROLLBACK TO gatewright_unit"); err != nil {
			return u.err
		}
	}
	if _, err := tx.ExecContext(ctx, "RELEASE gatewright_unit"); err != nil {
		return errors.Join(u.err, fmt.Errorf("releasing a savepoint: %w", err))
	}
	return nil
}
