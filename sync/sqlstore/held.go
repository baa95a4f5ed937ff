package sqlstore

import (
	"context"
	"slices"

	"gatewright/sync/change"
	"gatewright/sync/hub"
)

const (
	unhold   = `DELETE FROM held WHERE doc_id = $1 AND hash = $2`
	heldDocs = `SELECT DISTINCT doc FROM held WHERE site_id = $1`
	unholdAt = `DELETE FROM held WHERE site_id = $1 AND doc_id = $2 AND hash = $3`
	hold     = `INSERT INTO held (site_id, doc_id, doc, hash, bytes, author_device, via, code, at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING`
)

// Hold implements hub.Store.
func (s *Store) Hold(ctx context.Context, site string, held []hub.HeldChange) error {
	return s.write(ctx, "holding changes", func(j job) error {
		if err := j.lock(site); err != nil { // else a change could be stored and held at once
			return err
		}
		for _, h := range held {
			if ok, err := j.has(hasChange, h.DocID, h.Hash[:]); err != nil {
				return err
			} else if ok {
				continue
			}
			if _, err := j.exec(hold, site, h.DocID, h.Doc, h.Hash[:], blob(h.Bytes), h.AuthorDevice, h.Via, h.Code, h.At); err != nil {
				return err
			}
		}
		return nil
	})
}

// Unhold implements hub.Store.
func (s *Store) Unhold(ctx context.Context, site, docID string, hashes []change.Hash) error {
	return s.write(ctx, "letting go of held changes", func(j job) error {
		if err := j.lock(site); err != nil {
			return err
		}
		for _, h := range hashes {
			if _, err := j.exec(unholdAt, site, docID, h[:]); err != nil {
				return err
			}
		}
		return nil
	})
}

// HeldDocuments implements hub.Store.
func (s *Store) HeldDocuments(ctx context.Context, site string) (names []string, err error) {
	err = s.read(ctx, "listing what is held", func(j job) error {
		names = nil
		return j.each(func(scan func(...any) error) error {
			var name string
			if err := scan(&name); err != nil {
				return err
			}
			names = append(names, name)
			return nil
		}, heldDocs, site)
	})
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	return names, nil
}

// release takes the batch's changes out of the held ones.
func (a *appending) release() error {
	if !a.holds {
		return nil
	}
	for _, c := range a.Changes {
		if _, err := a.exec(unhold, a.DocID, c.Hash[:]); err != nil {
			return err
		}
	}
	return nil
}
