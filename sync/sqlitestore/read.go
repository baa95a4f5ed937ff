package sqlitestore

import (
	"context"
	"database/sql"
	"errors"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

var _ hub.Store = (*DB)(nil)

// reading runs fn on one snapshot of the database.
func (db *DB) reading(ctx context.Context, doing string, fn func(tx *sql.Tx) error) error {
	if db.isClosed() {
		return failed(doing, ErrClosed)
	}
	tx, err := db.reader.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return failed(doing, err)
	}
	err = fn(tx)
	// Nothing was written, and a context that ended has ended the transaction.
	if end := tx.Rollback(); end != nil && !errors.Is(end, sql.ErrTxDone) {
		err = errors.Join(err, end)
	}
	return failed(doing, err)
}

// each calls fn for every row of a query.
func each(ctx context.Context, tx *sql.Tx, fn func(scan func(...any) error) error, query string, args ...any) (err error) {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		if err := fn(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

// Load implements hub.Store.
func (db *DB) Load(ctx context.Context, site, doc string) (changes []hub.StoredChange, held []hub.HeldChange, err error) {
	err = db.reading(ctx, "loading "+doc, func(tx *sql.Tx) error {
		at := map[change.Hash]int{}
		err := each(ctx, tx, func(scan func(...any) error) error {
			var c hub.StoredChange
			var hash, actor, deps []byte
			var seq int64
			if err := scan(&hash, &actor, &seq, &deps, &c.Bytes, &c.ReceivedAt, &c.Device, &c.Via); err != nil {
				return err
			}
			var err error
			if c.Hash, err = oneHash(hash); err != nil {
				return err
			}
			if c.Deps, err = unpack(deps); err != nil {
				return err
			}
			c.Actor, c.Seq = change.Actor(actor), uint64(seq)
			at[c.Hash] = len(changes)
			changes = append(changes, c)
			return nil
		}, `SELECT c.hash, c.actor, c.seq, c.deps, c.bytes, c.received_at, c.device, c.via
			FROM documents d JOIN changes c ON c.doc_id = d.id WHERE d.site_id = $1 AND d.name = $2`, site, doc)
		if err != nil {
			return err
		}
		err = each(ctx, tx, func(scan func(...any) error) error {
			var hash []byte
			var e hub.EntryRow
			if err := scan(&hash, &e.ID, &e.Person); err != nil {
				return err
			}
			h, err := oneHash(hash)
			if err != nil {
				return err
			}
			c := &changes[at[h]] // the entry refers to its change
			c.Entries = append(c.Entries, e)
			return nil
		}, `SELECT e.hash, e.id, e.person
			FROM documents d JOIN entries e ON e.doc_id = d.id WHERE d.site_id = $1 AND d.name = $2 ORDER BY e.id`, site, doc)
		if err != nil {
			return err
		}
		return each(ctx, tx, func(scan func(...any) error) error {
			h := hub.HeldChange{Doc: doc}
			var hash []byte
			if err := scan(&h.DocID, &hash, &h.Bytes, &h.AuthorDevice, &h.Via, &h.Code, &h.At); err != nil {
				return err
			}
			var err error
			if h.Hash, err = oneHash(hash); err != nil {
				return err
			}
			held = append(held, h)
			return nil
		}, `SELECT doc_id, hash, bytes, author_device, via, code, at FROM held WHERE site_id = $1 AND doc = $2`, site, doc)
	})
	if err != nil {
		return nil, nil, err
	}
	return changes, held, nil
}

// Documents implements hub.Store.
func (db *DB) Documents(ctx context.Context, site string) (list []hub.Document, err error) {
	err = db.reading(ctx, "listing documents", func(tx *sql.Tx) error {
		return each(ctx, tx, func(scan func(...any) error) error {
			var d hub.Document
			var heads []byte
			if err := scan(&d.ID, &d.Name, &heads); err != nil {
				return err
			}
			var err error
			if d.Heads, err = unpack(heads); err != nil {
				return err
			}
			list = append(list, d)
			return nil
		}, `SELECT id, name, heads FROM documents WHERE site_id = $1 ORDER BY name`, site)
	})
	if err != nil {
		return nil, err
	}
	return list, nil
}

// ActorDevices implements hub.Store.
func (db *DB) ActorDevices(ctx context.Context, site string, actors []change.Actor) (map[change.Actor]string, error) {
	bound := map[change.Actor]string{}
	err := db.reading(ctx, "looking up actors", func(tx *sql.Tx) error {
		stmt, err := tx.PrepareContext(ctx, `SELECT device FROM actors WHERE site_id = $1 AND actor = $2`)
		if err != nil {
			return err
		}
		defer stmt.Close()
		for _, a := range actors {
			var device string
			switch err := stmt.QueryRowContext(ctx, site, []byte(a)).Scan(&device); {
			case err == nil:
				bound[a] = device
			case !errors.Is(err, sql.ErrNoRows):
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return bound, nil
}

// AuthorOf implements hub.Store.
func (db *DB) AuthorOf(ctx context.Context, site, device string) (author admit.Author, ok bool, err error) {
	if device == admit.ServerDevice {
		return admit.Author{Device: device, Server: true}, true, nil
	}
	err = db.reading(ctx, "looking up a device", func(tx *sql.Tx) error {
		a := admit.Author{Device: device}
		var revoked sql.NullInt64
		err := tx.QueryRowContext(ctx, `SELECT relay <> 0, revoked_at FROM devices WHERE id = $1 AND site_id = $2`,
			device, site).Scan(&a.Relay, &revoked)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		a.Revoked = revoked.Int64
		err = each(ctx, tx, func(scan func(...any) error) error {
			var p admit.Person
			var until sql.NullInt64
			if err := scan(&p.ID, &p.Role, &p.From, &until); err != nil {
				return err
			}
			p.Until = until.Int64
			a.People = append(a.People, p)
			return nil
		}, `SELECT g.person_id, g.role, g.from_at, g.until_at
			FROM device_people dp JOIN grants g ON g.person_id = dp.person_id AND g.site_id = $1
			WHERE dp.device_id = $2 ORDER BY g.person_id, g.from_at, g.id`, site, device)
		author, ok = a, err == nil
		return err
	})
	if err != nil {
		return admit.Author{}, false, err
	}
	return author, ok, nil
}

func oneHash(b []byte) (change.Hash, error) {
	list, err := unpack(b)
	if err != nil || len(list) != 1 {
		return change.Hash{}, errors.New("a hash in the database has the wrong length")
	}
	return list[0], nil
}
