package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Snapshot runs fn on one moment of the database. fn reads only.
func (db *DB) Snapshot(ctx context.Context, fn func(tx *sql.Tx) error) error {
	return db.reading(ctx, "reading the database", fn)
}

// Integrity has SQLite look at every page and index of its file, and at every
// reference between rows. It gives a sentence for each thing that is wrong, a
// hundred at most.
func (db *DB) Integrity(ctx context.Context) (wrong []string, err error) {
	for _, look := range []func(context.Context, *sql.Tx, func(string)) error{pages, references} {
		err := db.reading(ctx, "checking the database file", func(tx *sql.Tx) error {
			return look(ctx, tx, func(sentence string) {
				if len(wrong) < 100 {
					wrong = append(wrong, sentence)
				}
			})
		})
		// Where the damage is great, the look itself ends with it.
		if e, ok := errors.AsType[*sqlite.Error](err); ok && e.Code()&0xff == sqlite3.SQLITE_CORRUPT {
			wrong = append(wrong, "SQLite finds its file damaged: "+e.Error())
		} else if err != nil {
			return wrong, err
		}
	}
	return wrong, nil
}

func pages(ctx context.Context, tx *sql.Tx, found func(string)) error {
	return each(ctx, tx, func(scan func(...any) error) error {
		var line string
		err := scan(&line)
		if err == nil && line != "ok" {
			found("SQLite finds its file damaged: " + line)
		}
		return err
	}, `PRAGMA integrity_check(100)`)
}

func references(ctx context.Context, tx *sql.Tx, found func(string)) error {
	return each(ctx, tx, func(scan func(...any) error) error {
		var table, parent string
		var row sql.NullInt64
		var key int
		err := scan(&table, &row, &parent, &key)
		if err == nil {
			found(fmt.Sprintf("row %d of table %s refers to a row of %s that is not there", row.Int64, table, parent))
		}
		return err
	}, `PRAGMA foreign_key_check`)
}
