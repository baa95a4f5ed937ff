package sqlstore

import (
	"cmp"
	"context"
	"slices"

	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// Load implements hub.Store.
func (s *Store) Load(ctx context.Context, site, doc string) (changes []hub.StoredChange, held []hub.HeldChange, err error) {
	err = s.read(ctx, "loading "+doc, func(j job) error {
		changes, held = nil, nil
		at := map[change.Hash]int{}
		err := j.each(func(scan func(...any) error) error {
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
		err = j.each(func(scan func(...any) error) error {
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
			FROM documents d JOIN entries e ON e.doc_id = d.id WHERE d.site_id = $1 AND d.name = $2`, site, doc)
		if err != nil {
			return err
		}
		for _, c := range changes {
			slices.SortFunc(c.Entries, func(a, b hub.EntryRow) int { return cmp.Compare(a.ID, b.ID) })
		}
		return j.each(func(scan func(...any) error) error {
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
func (s *Store) Documents(ctx context.Context, site string) (list []hub.Document, err error) {
	err = s.read(ctx, "listing documents", func(j job) error {
		list = nil
		return j.each(func(scan func(...any) error) error {
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
		}, `SELECT id, name, heads FROM documents WHERE site_id = $1`, site)
	})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(list, func(a, b hub.Document) int { return cmp.Compare(a.Name, b.Name) })
	return list, nil
}
