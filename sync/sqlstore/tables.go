package sqlstore

import (
	"context"
	"errors"
	"fmt"

	"github.com/pressly/goose/v3"
)

// ErrNewer is given for a database that a later version of the program has
// written.
var ErrNewer = errors.New("the database was written by a newer version of the program")

// UpdateTables brings the tables of a database up to date, or says that they
// are of a later version.
func UpdateTables(ctx context.Context, p *goose.Provider) error {
	current, target, err := p.GetVersions(ctx)
	if err != nil {
		return fmt.Errorf("reading its version: %w", err)
	}
	if current > target {
		return fmt.Errorf("%w (version %d, known %d)", ErrNewer, current, target)
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("updating its tables: %w", err)
	}
	return nil
}
