package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Integrity has SQLite look at every page and index of its file, and at every
// reference between rows. It gives a sentence for each thing that is wrong, a
// hundred at most.
func (db *DB) Integrity(ctx context.Context) (wrong []string, err error) {
	for _, look := range []func(context.Context, *sql.Tx, func(string)) error{pages, references} {
		err := db.Snapshot(ctx, func(ctx context.Context, tx *sql.Tx) error {
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
	rows, err := tx.QueryContext(ctx, `PRAGMA integrity_check(100)`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			return err
		}
		if line != "ok" {
			found("SQLite finds its file damaged: " + line)
		}
	}
	return rows.Err()
}

func references(ctx context.Context, tx *sql.Tx, found func(string)) error {
	rows, err := tx.QueryContext(ctx, `PRAGMA foreign_key_check`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var table, parent string
		var row sql.NullInt64
		var key int
		if err := rows.Scan(&table, &row, &parent, &key); err != nil {
			return err
		}
		found(fmt.Sprintf("row %d of table %s refers to a row of %s that is not there", row.Int64, table, parent))
	}
	return rows.Err()
}
