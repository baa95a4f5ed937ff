package sqlstore

import (
	"context"
	"fmt"
	"math"
	"slices"

	"gatewright/sync/change"
	"gatewright/sync/hub"
)

const (
	addDocument = `INSERT INTO documents (id, site_id, name, heads) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`
	// Its heads, and whether any of its changes is held.
	findDocument = `SELECT d.heads, EXISTS (SELECT 1 FROM held h WHERE h.doc_id = d.id) FROM documents d
		WHERE d.id = $1 AND d.site_id = $2 AND d.name = $3`
	setHeads  = `UPDATE documents SET heads = $1 WHERE id = $2`
	addChange = `INSERT INTO changes (doc_id, hash, actor, seq, deps, bytes, received_at, device, via)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING`
	hasChange   = `SELECT 1 FROM changes WHERE doc_id = $1 AND hash = $2`
	addEntry    = `INSERT INTO entries (site_id, id, doc_id, hash, person) VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING`
	batchStored = `UPDATE sites SET wake_at = $1, revision = revision + 1 WHERE id = $2`
)

// Append implements hub.Store. It locks the site first: at one site, batches
// are stored one after the other, whichever node they come by.
func (s *Store) Append(ctx context.Context, b hub.Batch) error {
	if len(b.Changes) == 0 {
		return nil
	}
	return s.write(ctx, "storing changes of "+b.Doc, func(j job) error {
		return appending{job: j, Batch: b}.run()
	})
}

// appending is one batch on its way in.
type appending struct {
	job
	hub.Batch
	heads  map[change.Hash]bool
	holds  bool                    // changes of the document are held
	actors map[change.Actor]string // known to be bound
	allow  map[string]bool         // devices known to be allowed
}

func (a appending) run() error {
	if err := a.lock(a.Site); err != nil {
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
			if ok, err := a.has(hasChange, a.DocID, d[:]); err != nil {
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
	if _, err := a.exec(setHeads, joined(heads), a.DocID); err != nil {
		return err
	}
	if _, err := a.exec(batchStored, a.Now, a.Site); err != nil {
		return err
	}
	if a.engine.Stored != nil {
		a.engine.Stored()
	}
	return nil
}

// openDocument reads the document's heads, and makes its row if need be. It
// looks first: what is nearly always there costs no attempt to write.
func (a *appending) openDocument() error {
	var packed []byte
	find := func() (bool, error) {
		return a.scan(findDocument, []any{&packed, &a.holds}, a.DocID, a.Site, a.Doc)
	}
	ok, err := find()
	if err == nil && !ok {
		if _, err = a.does(addDocument, a.DocID, a.Site, a.Doc, []byte{}); err == nil {
			ok, err = find()
		}
	}
	if err != nil {
		return err
	}
	if !ok {
		return fmt.Errorf("document id %s and name %s do not belong together at site %s", a.DocID, a.Doc, a.Site)
	}
	heads, err := split(packed)
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
		seq, err = a.does(addChange, a.DocID, c.Hash[:], []byte(c.Actor), int64(c.Seq), joined(c.Deps), blob(c.Bytes),
			c.ReceivedAt, c.Device, c.Via)
		if err != nil {
			return false, err
		}
	}
	if !seq { // the row's hash or its number is there already
		if ok, err := a.has(hasChange, a.DocID, c.Hash[:]); err != nil {
			return false, err
		} else if ok {
			return false, a.mend(c)
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
		if ok, err := a.does(addEntry, a.Site, e.ID, a.DocID, c.Hash[:], e.Person); err != nil {
			return false, err
		} else if !ok {
			return false, &hub.StoreError{Code: hub.StoreTaken, Hash: c.Hash, Entry: e.ID}
		}
	}
	return true, nil
}
