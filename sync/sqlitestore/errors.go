package sqlitestore

import (
	"errors"
	"fmt"

	"gatewright/sync/hub"
	"gatewright/sync/sqlstore"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Failures that a caller may want to tell apart. Nothing was stored by a call
// that gives ErrClosed, ErrReadOnly or ErrFull.
var (
	ErrClosed   = errors.New("the database is closed")
	ErrReadOnly = errors.New("the database is open for reading only")
	ErrFull     = fmt.Errorf("the database file cannot grow: %w", hub.ErrFull)
	ErrNewer    = sqlstore.ErrNewer
	ErrSettings = errors.New("the database does not keep its settings")
)

// marked adds ErrFull to an error of a full disk.
func marked(err error) error {
	if e, ok := errors.AsType[*sqlite.Error](err); ok && e.Code()&0xff == sqlite3.SQLITE_FULL {
		return fmt.Errorf("%w: %w", ErrFull, err)
	}
	return err
}
