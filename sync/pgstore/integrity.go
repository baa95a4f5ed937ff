package pgstore

import "context"

// Integrity has nothing to say: PostgreSQL looks after its own pages and
// indexes, with checksums where the cluster has them and with pg_amcheck, and
// no row can refer to one that is not there.
func (db *DB) Integrity(ctx context.Context) ([]string, error) { return nil, ctx.Err() }
