package sqlitestore

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// statements of the writer, prepared once.
type statements struct {
	addDocument, document, setHeads   *sql.Stmt
	addChange, hasChange              *sql.Stmt
	device, addActor, actor, addEntry *sql.Stmt
	holdsAny, unhold, hold, hasSite   *sql.Stmt
	addQuarantine, wake               *sql.Stmt
	all                               []*sql.Stmt
}

func (s *statements) prepare(ctx context.Context, db *sql.DB) error {
	for _, p := range []struct {
		stmt  **sql.Stmt
		query string
	}{
		{&s.hasSite, `SELECT 1 FROM sites WHERE id = $1`},
		{&s.addDocument, `INSERT INTO documents (id, site_id, name, heads) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`},
		{&s.document, `SELECT heads FROM documents WHERE id = $1 AND site_id = $2 AND name = $3`},
		{&s.setHeads, `UPDATE documents SET heads = $1 WHERE id = $2`},
		{&s.addChange, `INSERT INTO changes (doc_id, hash, actor, seq, deps, bytes, received_at, device, via)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING`},
		{&s.hasChange, `SELECT 1 FROM changes WHERE doc_id = $1 AND hash = $2`},
		{&s.device, `SELECT revoked_at FROM devices WHERE id = $1 AND site_id = $2`},
		{&s.addActor, `INSERT INTO actors (site_id, actor, device) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING`},
		{&s.actor, `SELECT device FROM actors WHERE site_id = $1 AND actor = $2`},
		{&s.addEntry, `INSERT INTO entries (site_id, id, doc_id, hash, person) VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING`},
		{&s.wake, `UPDATE sites SET wake_at = $1, revision = revision + 1 WHERE id = $2`},
		{&s.holdsAny, `SELECT EXISTS (SELECT 1 FROM held WHERE doc_id = $1)`},
		{&s.unhold, `DELETE FROM held WHERE doc_id = $1 AND hash = $2`},
		{&s.hold, `INSERT INTO held (site_id, doc_id, doc, hash, bytes, author_device, via, code, at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING`},
		{&s.addQuarantine, `INSERT INTO quarantine (id, site_id, doc, hash, device, person, code, reason, bytes, entries, at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) ON CONFLICT DO NOTHING`},
	} {
		var err error
		if *p.stmt, err = db.PrepareContext(ctx, p.query); err != nil {
			return fmt.Errorf("preparing %q: %w", p.query, err)
		}
		s.all = append(s.all, *p.stmt)
	}
	return nil
}

func (s *statements) close() {
	for _, stmt := range s.all {
		_ = stmt.Close()
	}
}

// A job runs prepared statements in one unit's transaction.
type job struct {
	tx *sql.Tx
	*statements
}

// insert reports whether a row was added.
func (j job) insert(stmt *sql.Stmt, args ...any) (bool, error) {
	r, err := j.tx.Stmt(stmt).Exec(args...)
	if err != nil {
		return false, err
	}
	n, err := r.RowsAffected()
	return n > 0, err
}

func (j job) exec(stmt *sql.Stmt, args ...any) error {
	_, err := j.tx.Stmt(stmt).Exec(args...)
	return err
}

// get reads one row into dst and reports whether there is one.
func (j job) get(stmt *sql.Stmt, dst any, args ...any) (bool, error) {
	err := j.tx.Stmt(stmt).QueryRow(args...).Scan(dst)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, err
}

func (j job) has(stmt *sql.Stmt, args ...any) (bool, error) {
	var one int
	return j.get(stmt, &one, args...)
}

func (j job) site(id string) error {
	if ok, err := j.has(j.hasSite, id); err != nil || ok {
		return err
	}
	return &hub.StoreError{Code: hub.StoreSite}
}

// Append implements hub.Store.
func (db *DB) Append(ctx context.Context, b hub.Batch) error {
	if len(b.Changes) == 0 {
		return nil
	}
	return failed("storing changes of "+b.Doc, db.write(ctx, func(tx *sql.Tx) error {
		return appending{job: job{tx, &db.stmts}, Batch: b}.run()
	}))
}

// appending is one batch on its way in.
type appending struct {
	job
	hub.Batch
	heads  map[change.Hash]bool
	actors map[change.Actor]string // known to be bound
	allow  map[string]bool         // devices known to be allowed
}

func (a appending) run() error {
	if err := a.site(a.Site); err != nil {
		return err
	}
	if err := a.openDocument(); err != nil {
		return err
	}
	a.actors, a.allow = map[change.Actor]string{}, map[string]bool{}
	added := make(map[change.Hash]bool, len(a.Changes))
	var fresh []hub.StoredChange
	for _, c := range a.Changes {
		isNew, err := a.add(c)
		if err != nil {
			return err
		}
		if isNew {
			added[c.Hash] = true
			fresh = append(fresh, c)
		}
	}
	if err := a.release(); err != nil || len(fresh) == 0 {
		return err
	}
	for _, c := range fresh {
		for _, d := range c.Deps {
			if added[d] || a.heads[d] {
				continue
			}
			if ok, err := a.has(a.hasChange, a.DocID, d[:]); err != nil {
				return err
			} else if !ok {
				return &hub.StoreError{Code: hub.StoreDeps, Hash: c.Hash}
			}
		}
	}
	for h := range added {
		a.heads[h] = true
	}
	for _, c := range fresh {
		for _, d := range c.Deps {
			delete(a.heads, d)
		}
	}
	heads := make([]change.Hash, 0, len(a.heads))
	for h := range a.heads {
		heads = append(heads, h)
	}
	slices.SortFunc(heads, change.Hash.Compare)
	if err := a.exec(a.setHeads, pack(heads), a.DocID); err != nil {
		return err
	}
	return a.exec(a.wake, a.Now, a.Site)
}

// openDocument makes the document's row if need be and reads its heads.
func (a *appending) openDocument() error {
	if _, err := a.insert(a.addDocument, a.DocID, a.Site, a.Doc, []byte{}); err != nil {
		return err
	}
	var packed []byte
	ok, err := a.get(a.document, &packed, a.DocID, a.Site, a.Doc)
	if err != nil {
		return err
	}
	if !ok {
		return fmt.Errorf("document id %s and name %s do not belong together at site %s", a.DocID, a.Doc, a.Site)
	}
	heads, err := unpack(packed)
	if err != nil {
		return fmt.Errorf("heads: %w", err)
	}
	a.heads = make(map[change.Hash]bool, len(heads)+len(a.Changes))
	for _, h := range heads {
		a.heads[h] = true
	}
	return nil
}

// add stores one change and reports whether it was new.
func (a *appending) add(c hub.StoredChange) (bool, error) {
	seq := c.Seq <= math.MaxInt64
	if seq {
		var err error
		seq, err = a.insert(a.addChange, a.DocID, c.Hash[:], []byte(c.Actor), int64(c.Seq), pack(c.Deps), blob(c.Bytes),
			c.ReceivedAt, c.Device, c.Via)
		if err != nil {
			return false, err
		}
	}
	if !seq { // the row's hash or its number is there already
		if ok, err := a.has(a.hasChange, a.DocID, c.Hash[:]); err != nil || ok {
			return false, err
		}
	}
	bringer := c.Via
	if bringer == "" {
		bringer = c.Device
	}
	if err := a.allowed(bringer, c.Hash); err != nil {
		return false, err
	}
	if !seq {
		return false, &hub.StoreError{Code: hub.StoreSeq, Hash: c.Hash}
	}
	if err := a.bind(c); err != nil {
		return false, err
	}
	for _, e := range c.Entries {
		if ok, err := a.insert(a.addEntry, a.Site, e.ID, a.DocID, c.Hash[:], e.Person); err != nil {
			return false, err
		} else if !ok {
			return false, &hub.StoreError{Code: hub.StoreTaken, Hash: c.Hash, Entry: e.ID}
		}
	}
	return true, nil
}

// allowed refuses a device that is unknown at the site or revoked.
func (a *appending) allowed(device string, h change.Hash) error {
	if device == admit.ServerDevice || a.allow[device] {
		return nil
	}
	var revoked sql.NullInt64
	ok, err := a.get(a.device, &revoked, device, a.Site)
	switch {
	case err != nil:
		return err
	case !ok:
		return &hub.StoreError{Code: hub.StoreDevice, Hash: h}
	case revoked.Valid:
		return &hub.StoreError{Code: hub.StoreRevoked, Hash: h}
	}
	a.allow[device] = true
	return nil
}

// bind binds the change's actor to its device, or finds it bound to it.
func (a *appending) bind(c hub.StoredChange) error {
	device, known := a.actors[c.Actor]
	if !known {
		device = c.Device
		ok, err := a.insert(a.addActor, a.Site, []byte(c.Actor), c.Device)
		if err == nil && !ok {
			_, err = a.get(a.actor, &device, a.Site, []byte(c.Actor))
		}
		if err != nil {
			return err
		}
		a.actors[c.Actor] = device
	}
	if device != c.Device {
		return &hub.StoreError{Code: hub.StoreActor, Hash: c.Hash}
	}
	return nil
}

// release takes the batch's changes out of the held ones.
func (a *appending) release() error {
	var some bool
	if _, err := a.get(a.holdsAny, &some, a.DocID); err != nil || !some {
		return err
	}
	for _, c := range a.Changes {
		if err := a.exec(a.unhold, a.DocID, c.Hash[:]); err != nil {
			return err
		}
	}
	return nil
}

// Hold implements hub.Store.
func (db *DB) Hold(ctx context.Context, site string, held []hub.HeldChange) error {
	return failed("holding changes", db.write(ctx, func(tx *sql.Tx) error {
		j := job{tx, &db.stmts}
		if err := j.site(site); err != nil {
			return err
		}
		for _, h := range held {
			if ok, err := j.has(j.hasChange, h.DocID, h.Hash[:]); err != nil {
				return err
			} else if ok {
				continue
			}
			if err := j.exec(j.hold, site, h.DocID, h.Doc, h.Hash[:], blob(h.Bytes), h.AuthorDevice, h.Via, h.Code, h.At); err != nil {
				return err
			}
		}
		return nil
	}))
}

// Quarantine implements hub.Store.
func (db *DB) Quarantine(ctx context.Context, site string, refused []hub.Quarantined) error {
	return failed("keeping what was refused", db.write(ctx, func(tx *sql.Tx) error {
		j := job{tx, &db.stmts}
		if err := j.site(site); err != nil {
			return err
		}
		for _, q := range refused {
			entries, err := json.Marshal(append([]string{}, q.Entries...))
			if err != nil {
				return err
			}
			if err := j.exec(j.addQuarantine, q.ID, site, q.Doc, q.Hash[:], q.Device, q.Person, q.Code, q.Reason,
				blob(q.Bytes), string(entries), q.At); err != nil {
				return err
			}
		}
		return nil
	}))
}

// blob is b, never NULL.
func blob(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// pack puts hashes one after the other.
func pack(hashes []change.Hash) []byte {
	b := make([]byte, 0, len(hashes)*len(change.Hash{}))
	for _, h := range hashes {
		b = append(b, h[:]...)
	}
	return b
}

// unpack undoes pack.
func unpack(b []byte) ([]change.Hash, error) {
	const n = len(change.Hash{})
	if len(b)%n != 0 {
		return nil, fmt.Errorf("%d bytes are no list of hashes", len(b))
	}
	var list []change.Hash
	for c := range slices.Chunk(b, n) {
		list = append(list, change.Hash(c))
	}
	return list, nil
}
