package sqlitestore

import (
	"errors"
	"fmt"

	"gatewright/sync/hub"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Failures that a caller may want to tell apart. Nothing was stored by a call
// that gives ErrClosed, ErrReadOnly or ErrFull.
var (
	ErrClosed   = errors.New("the database is closed")
	ErrReadOnly = errors.New("the database is open for reading only")
	ErrFull     = errors.New("the disk or the database file is full")
	ErrNewer    = errors.New("the database was written by a newer version of the program")
	ErrSettings = errors.New("the database does not keep its settings")
)

// failed says what was being done when err came, and marks a full disk. A
// refusal by the store's own rules passes as it is.
func failed(doing string, err error) error {
	if err == nil {
		return nil
	}
	if refused, ok := errors.AsType[*hub.StoreError](err); ok {
		return refused
	}
	if e, ok := errors.AsType[*sqlite.Error](err); ok && e.Code()&0xff == sqlite3.SQLITE_FULL {
		return fmt.Errorf("%s: %w: %w", doing, ErrFull, err)
	}
	return fmt.Errorf("%s: %w", doing, err)
}
