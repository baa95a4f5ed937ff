package crash

import (
	"context"

	"gatewright/sync/pgstore"
	"gatewright/sync/pgstore/pgtest"
)

// Postgres is a private PostgreSQL with the settings of a fresh installation.
type Postgres struct {
	folder  string
	server  *pgtest.Server
	address string
}

// NewPostgres starts a PostgreSQL for a server with a data folder. Its own data lie in the folder cluster, which
// others must be able to reach when we are root; "" = a temporary one. The error is pgtest.ErrMissing where no
// PostgreSQL is installed.
func NewPostgres(ctx context.Context, folder, cluster string, settings map[string]string) (*Postgres, error) {
	s, err := pgtest.Run(ctx, pgtest.Options{Dir: cluster, Settings: settings})
	if err != nil {
		return nil, err
	}
	p := &Postgres{folder: folder, server: s}
	p.address, err = s.Database(ctx)
	return p, err
}

// Name is postgres.
func (*Postgres) Name() string { return "postgres" }

// Folder is a data folder in which the server keeps nothing.
func (p *Postgres) Folder() string { return p.folder }

// Environment names the database.
func (p *Postgres) Environment() []string { return []string{"GATEWRIGHT_DATABASE=" + p.address} }

// Open connects to the database.
func (p *Postgres) Open(ctx context.Context) (Database, error) {
	return pgstore.Open(ctx, p.address, pgstore.Options{})
}

// Break kills PostgreSQL.
func (p *Postgres) Break() error { return p.server.Kill() }

// Mend starts PostgreSQL again and waits until it has recovered.
func (p *Postgres) Mend(ctx context.Context) error { return p.server.Restart(ctx) }

// Close ends PostgreSQL.
func (p *Postgres) Close() error { return p.server.Stop() }
