package pgstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"

	"gatewright/sync/sqlstore"

	"github.com/pressly/goose/v3"
)

// migrate brings the tables up to date. One node at a time: the others wait for
// a row that is there to be locked and for nothing else, and then find nothing
// left to do. The lock ends with its connection, whatever becomes of the node.
// It is no advisory lock, since not every database has those.
func (db *DB) migrate(ctx context.Context) error {
	for n := 0; ; n++ {
		err := db.migrateAlone(ctx)
		if err == nil || !brokenOff(err) || n+1 == attempts {
			return err
		}
	}
}

func (db *DB) migrateAlone(ctx context.Context) (err error) {
	// A server that is just starting is waited for as in any other unit.
	err = db.run(ctx, db.writer, committed, func(context.Context, *sql.Tx) error { return nil })
	if err != nil {
		return err
	}
	_, err = db.writer.ExecContext(ctx, `CREATE TABLE IF NOT EXISTS migrating (one BIGINT NOT NULL PRIMARY KEY)`)
	// Of two nodes that make a table at once, one may be told by the catalogue
	// that it is there, IF NOT EXISTS or not.
	if code := codeOf(err); err != nil && code != uniqueViolation && code != duplicateTable && code != duplicateObject {
		return fmt.Errorf("making the lock of its tables: %w", err)
	}
	if _, err := db.writer.ExecContext(ctx, `INSERT INTO migrating (one) VALUES (1) ON CONFLICT DO NOTHING`); err != nil {
		return fmt.Errorf("making the lock of its tables: %w", err)
	}
	tx, err := db.writer.BeginTx(ctx, &committed)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, tx.Rollback()) }()
	if _, err := tx.ExecContext(ctx, `SET LOCAL idle_in_transaction_session_timeout = 0`); err != nil {
		return fmt.Errorf("locking its tables: %w", err)
	}
	if _, err := tx.ExecContext(ctx, `SELECT one FROM migrating FOR UPDATE`); err != nil {
		return fmt.Errorf("locking its tables: %w", err)
	}
	return db.update(ctx)
}

// update does the work, on other connections than the one that holds the lock.
func (db *DB) update(ctx context.Context) error {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(goose.DialectPostgres, db.writer, files, goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return err
	}
	return sqlstore.UpdateTables(ctx, p)
}
