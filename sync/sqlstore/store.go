package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"gatewright/sync/hub"
)

// A Unit is done whole or not at all. It uses the context it is given, which
// need not be its caller's: what has begun is not undone because a caller goes
// away.
type Unit func(ctx context.Context, tx *sql.Tx) error

// Engine is what the statements run on.
type Engine struct {
	// Write runs a unit in a transaction and returns nil when what it did is
	// durable; an error of the unit undoes it and is returned. Two units that
	// lock the same site (LockRow) run one after the other, and the second sees
	// all that the first did. A context that has ended before the unit began
	// means that it did not run.
	Write func(ctx context.Context, unit Unit) error
	// Read runs a unit on one snapshot of what is committed.
	Read func(ctx context.Context, unit Unit) error
	// LockRow and ShareRow are what a SELECT of a writing unit adds so that
	// nobody else writes the rows it finds until the unit has ended; with
	// LockRow, nobody else locks them either. Both are empty where only one
	// unit writes at a time.
	LockRow, ShareRow string
	// MoveRow is what the statement that empties the rows of a packed document
	// ($2) sets besides, so that the engine gives back the room that they took;
	// empty where it does so by itself.
	MoveRow string
	// Prepared are statements prepared beforehand; nil where the driver
	// remembers them by itself.
	Prepared *Prepared
	// Stored is called by a unit that has stored a batch of changes, in that
	// unit's own goroutine and before it has ended; nil = nobody counts.
	Stored func()
}

// Store is the SQL on one engine. It implements hub.Store.
type Store struct {
	engine            Engine
	lockSite, bringer string // statements with the engine's locks
}

var _ hub.Store = (*Store)(nil)

// New gives the store on an engine.
func New(e Engine) *Store {
	return &Store{engine: e, lockSite: hasSite + e.LockRow, bringer: findDevice + e.ShareRow}
}

// write runs a unit and says what was being done when it failed. A refusal by
// the store's own rules passes as it is.
func (s *Store) write(ctx context.Context, doing string, unit func(j job) error) error {
	return failed(doing, s.engine.Write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return unit(job{ctx: ctx, tx: tx, prepared: s.engine.Prepared, Store: s})
	}))
}

func (s *Store) read(ctx context.Context, doing string, unit func(j job) error) error {
	return failed(doing, s.engine.Read(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return unit(job{ctx: ctx, tx: tx, Store: s})
	}))
}

// Snapshot runs a unit that reads on one moment of the database.
func (s *Store) Snapshot(ctx context.Context, unit func(ctx context.Context, tx *sql.Tx) error) error {
	return failed("reading the database", s.engine.Read(ctx, unit))
}

// Each runs a unit that writes, of which each statement sees what is committed
// when it begins. It is for what is right by one statement's own conditions:
// any number of such units go on side by side, where those of an engine's Write
// would break each other off.
func (s *Store) Each(ctx context.Context, unit func(ctx context.Context, tx *sql.Tx) error) error {
	return failed("writing to the database", s.engine.Write(ctx, unit))
}

func failed(doing string, err error) error {
	if err == nil {
		return nil
	}
	if refused, ok := errors.AsType[*hub.StoreError](err); ok {
		return refused
	}
	return fmt.Errorf("%s: %w", doing, err)
}

// A job runs statements in one unit's transaction.
type job struct {
	ctx      context.Context
	tx       *sql.Tx
	prepared *Prepared // nil in a unit that reads
	*Store
}

// exec gives how many rows a statement touched.
func (j job) exec(query string, args ...any) (int64, error) {
	var r sql.Result
	var err error
	if stmt := j.prepared.find(query); stmt != nil {
		r, err = j.tx.StmtContext(j.ctx, stmt).ExecContext(j.ctx, args...)
	} else {
		r, err = j.tx.ExecContext(j.ctx, query, args...)
	}
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

// does reports whether a statement touched any row.
func (j job) does(query string, args ...any) (bool, error) {
	n, err := j.exec(query, args...)
	return n > 0, err
}

// get reads one column of one row and reports whether there is one.
func (j job) get(query string, dst any, args ...any) (bool, error) {
	return j.scan(query, []any{dst}, args...)
}

// scan reads one row and reports whether there is one.
func (j job) scan(query string, dst []any, args ...any) (bool, error) {
	var row *sql.Row
	if stmt := j.prepared.find(query); stmt != nil {
		row = j.tx.StmtContext(j.ctx, stmt).QueryRowContext(j.ctx, args...)
	} else {
		row = j.tx.QueryRowContext(j.ctx, query, args...)
	}
	err := row.Scan(dst...)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, err
}

func (j job) has(query string, args ...any) (bool, error) {
	var one int
	return j.get(query, &one, args...)
}

// each calls fn for every row of a query.
func (j job) each(fn func(scan func(...any) error) error, query string, args ...any) (err error) {
	rows, err := j.tx.QueryContext(j.ctx, query, args...)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		if err := fn(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

const hasSite = `SELECT 1 FROM sites WHERE id = $1`

// lock keeps other writers off a site until the unit has ended, or says that
// there is no such site.
func (j job) lock(site string) error {
	if ok, err := j.has(j.lockSite, site); err != nil || ok {
		return err
	}
	return &hub.StoreError{Code: hub.StoreSite}
}

// Prepared are the statements that writing units run, prepared once. They are
// found by their text; a statement with an engine's locks is none of them.
type Prepared struct {
	stmts map[string]*sql.Stmt
}

// writing lists the statements worth preparing.
var writing = []string{
	hasSite, findDevice,
	addDocument, findDocument, setHeads, addChange, hasChange, addActor, findActor, addEntry, batchStored,
	unhold, hold, addQuarantine, mendRow,
}

// Prepare prepares on the connections that write.
func Prepare(ctx context.Context, db *sql.DB) (*Prepared, error) {
	p := &Prepared{stmts: make(map[string]*sql.Stmt, len(writing))}
	for _, query := range writing {
		stmt, err := db.PrepareContext(ctx, query)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("preparing %q: %w", query, err), p.Close())
		}
		p.stmts[query] = stmt
	}
	return p, nil
}

func (p *Prepared) find(query string) *sql.Stmt {
	if p == nil {
		return nil
	}
	return p.stmts[query]
}

// Close gives the statements back; on nil it does nothing.
func (p *Prepared) Close() error {
	if p == nil {
		return nil
	}
	var errs []error
	for _, stmt := range p.stmts {
		errs = append(errs, stmt.Close())
	}
	return errors.Join(errs...)
}
