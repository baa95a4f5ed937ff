package sqlitestore

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"

	"gatewright/sync/sqlstore"

	"github.com/pressly/goose/v3"
)

//go:embed migrations/*.sql
var migrations embed.FS

// readers is how many connections read at once.
const readers = 4

// Options of Open. The zero value is a server's.
type Options struct {
	// ReadOnly opens a database that another process may be writing to. It
	// must exist and be of this version.
	ReadOnly bool

	// For tests that show that the checks check.
	synchronous string
	unchecked   bool
}

// DB is an open database. It implements hub.Store.
type DB struct {
	*sqlstore.Store
	reader *sql.DB
	writer *sql.DB // nil when read-only; one connection

	units   chan *unit
	closing chan struct{}
	stopped chan struct{}
	once    sync.Once
	closed  error

	prepared *sqlstore.Prepared

	commits, stored atomic.Uint64

	seen    seen
	batches uint64 // stored; the writer's, and what its units add
	running uint64 // batches of the unit that runs
	behind  uint64
}

// Open opens the database file at path, creates it (mode 0600) when there is
// none, and brings its tables up to date. It fails with ErrSettings when the
// database does not take the settings that durability needs, and with ErrNewer
// when a later version of the program has written it.
func Open(ctx context.Context, path string, o Options) (_ *DB, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("opening database %s: %w", path, err)
		}
	}()
	if path, err = filepath.Abs(path); err != nil {
		return nil, err
	}
	if err := prepareFile(path, o.ReadOnly); err != nil {
		return nil, err
	}
	db := &DB{
		units:   make(chan *unit),
		closing: make(chan struct{}),
		stopped: make(chan struct{}),
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, db.closePools())
		}
	}()
	if db.seen, err = openSeen(path, o.ReadOnly); err != nil {
		return nil, err
	}
	if !o.ReadOnly {
		if db.writer, err = pool(path, o, true); err != nil {
			return nil, err
		}
		if err := db.writer.PingContext(ctx); err != nil {
			return nil, err
		}
		if err := migrate(ctx, db.writer); err != nil {
			return nil, err
		}
		if db.prepared, err = sqlstore.Prepare(ctx, db.writer); err != nil {
			return nil, err
		}
	}
	if db.reader, err = pool(path, o, false); err != nil {
		return nil, err
	}
	if err := db.reader.PingContext(ctx); err != nil {
		return nil, err
	}
	if o.ReadOnly {
		if err := checkVersion(ctx, db.reader); err != nil {
			return nil, err
		}
		close(db.stopped)
	}
	if err := db.compare(ctx); err != nil {
		return nil, err
	}
	if !o.ReadOnly {
		go db.writeAll()
	}
	db.Store = sqlstore.New(sqlstore.Engine{Write: db.write, Read: db.read, MoveRow: moveRow, Prepared: db.prepared,
		Stored: func() { db.running++ }})
	return db, nil
}

// moveRow moves emptied rows to the end of their table, one behind the other.
// SQLite does not join pages whose rows shrink where they stand, but gives free
// those whose rows have gone.
const moveRow = `, rowid = rowid - (SELECT MIN(rowid) FROM changes WHERE doc_id = $2) + (SELECT MAX(rowid) FROM changes) + 1`

// prepareFile makes sure that there is a file that only its owner may read,
// and that its name is on the disk. SQLite gives the files it puts beside it
// the same mode.
func prepareFile(path string, readOnly bool) (err error) {
	if readOnly {
		_, err := os.Stat(path)
		return err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		info, err := os.Stat(path)
		if err != nil {
			return err
		}
		if info.Mode().IsRegular() && info.Mode().Perm()&0o077 != 0 {
			return os.Chmod(path, 0o600)
		}
		return nil
	}
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

func provider(db *sql.DB) (*goose.Provider, error) {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectSQLite3, db, files, goose.WithDisableGlobalRegistry(true))
}

func migrate(ctx context.Context, db *sql.DB) error {
	p, err := provider(db)
	if err != nil {
		return err
	}
	return sqlstore.UpdateTables(ctx, p)
}

// checkVersion compares the version of the tables with this program's, without
// writing: asking goose would make its table of versions.
func checkVersion(ctx context.Context, db *sql.DB) error {
	p, err := provider(db)
	if err != nil {
		return err
	}
	var target int64
	for _, s := range p.ListSources() {
		target = max(target, s.Version)
	}
	var current int64
	err = db.QueryRowContext(ctx, `SELECT MAX(version_id) FROM goose_db_version WHERE is_applied = 1`).Scan(&current)
	switch {
	case err != nil:
		return fmt.Errorf("reading its version: %w", err)
	case current > target:
		return fmt.Errorf("%w (version %d, known %d)", ErrNewer, current, target)
	case current < target:
		return fmt.Errorf("its tables are of version %d, want %d: start the server once", current, target)
	}
	return nil
}

// Close waits for the writes in progress, refuses those that wait with
// ErrClosed, and closes the file. Calling it again does nothing.
func (db *DB) Close() error {
	db.once.Do(func() {
		close(db.closing)
		<-db.stopped
		db.closed = db.closePools()
	})
	return db.closed
}

func (db *DB) closePools() error {
	errs := []error{db.prepared.Close()}
	for _, p := range []*sql.DB{db.reader, db.writer} {
		if p != nil {
			errs = append(errs, p.Close())
		}
	}
	errs = append(errs, db.seen.close())
	return errors.Join(errs...)
}

// Reader gives the connections that read. They refuse to write.
func (db *DB) Reader() *sql.DB { return db.reader }

func (db *DB) isClosed() bool {
	select {
	case <-db.closing:
		return true
	default:
		return false
	}
}
