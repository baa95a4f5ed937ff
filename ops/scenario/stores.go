package scenario

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"

	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
	"gatewright/sync/sqlitestore"
)

// keep is a store with the doors that enrolment has to it.
type keep struct {
	hub.Store
	putSite   func(site string) error
	putAuthor func(site string, a admit.Author) error
	close     func() error
}

func memory() (*keep, error) {
	s := memstore.New()
	return &keep{
		Store:     s,
		putSite:   func(site string) error { s.PutSite(site); return nil },
		putAuthor: s.PutDevice,
		close:     func() error { return nil },
	}, nil
}

// inFile keeps the store in a SQLite file. Every call makes a new file.
func inFile(dir string) func() (*keep, error) {
	files := 0
	return func() (*keep, error) {
		files++
		db, err := sqlitestore.Open(context.Background(), filepath.Join(dir, fmt.Sprintf("site%d.db", files)), sqlitestore.Options{})
		if err != nil {
			return nil, err
		}
		return &keep{
			Store: db,
			putSite: func(site string) error {
				return exec(db, `INSERT INTO sites (id, slug, name, zone, created_at) VALUES ($1, 'yard', 'Yard', 'UTC', 0)`, site)
			},
			putAuthor: func(site string, a admit.Author) error { return putAuthor(db, site, a) },
			close:     db.Close,
		}, nil
	}
}

func exec(db *sqlitestore.DB, query string, args ...any) error {
	return db.Write(context.Background(), func(tx *sql.Tx) error {
		_, err := tx.Exec(query, args...)
		return err
	})
}

// putAuthor writes a device with its people and their grants, in place of what
// was there.
func putAuthor(db *sqlitestore.DB, site string, a admit.Author) error {
	return db.Write(context.Background(), func(tx *sql.Tx) error {
		revoked := sql.NullInt64{Int64: a.Revoked, Valid: a.Revoked != 0}
		if _, err := tx.Exec(`INSERT INTO devices (id, site_id, public_key, label, created_at, relay, revoked_at)
			VALUES ($1, $2, x'00', 'phone', 0, $3, $4)
			ON CONFLICT (id) DO UPDATE SET relay = excluded.relay, revoked_at = excluded.revoked_at`,
			a.Device, site, a.Relay, revoked); err != nil {
			return err
		}
		for _, p := range a.People {
			until := sql.NullInt64{Int64: p.Until, Valid: p.Until != 0}
			for _, stmt := range []struct {
				query string
				args  []any
			}{
				{`INSERT INTO people (id, created_at) VALUES ($1, 0) ON CONFLICT DO NOTHING`, []any{p.ID}},
				{`INSERT INTO device_people (device_id, person_id, added_at) VALUES ($1, $2, 0) ON CONFLICT DO NOTHING`, []any{a.Device, p.ID}},
				{`INSERT INTO grants (id, site_id, person_id, role, from_at, until_at) VALUES ($1, $2, $3, $4, $5, $6)
					ON CONFLICT (id) DO UPDATE SET until_at = excluded.until_at`,
					[]any{p.ID + "-" + string(p.Role), site, p.ID, string(p.Role), p.From, until}},
			} {
				if _, err := tx.Exec(stmt.query, stmt.args...); err != nil {
					return err
				}
			}
		}
		return nil
	})
}
