package sqlstore

import (
	"cmp"
	"context"
	"slices"

	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/pack"
)

const (
	changesOf = `SELECT c.hash, c.actor, c.seq, c.deps, c.bytes, c.received_at, c.device, c.via
		FROM documents d JOIN changes c ON c.doc_id = d.id WHERE d.site_id = $1 AND d.name = $2`
	entriesOf = `SELECT e.hash, e.id, e.person
		FROM documents d JOIN entries e ON e.doc_id = d.id WHERE d.site_id = $1 AND d.name = $2`
	// The last column: nothing has come since, so that nothing stands beside the pack.
	packOf = `SELECT p.digest, p.bytes, p.heads = d.heads FROM documents d JOIN packs p ON p.doc_id = d.id WHERE d.site_id = $1 AND d.name = $2`
	// Of a packed document, those that stand beside the pack.
	looseChangesOf = changesOf + ` AND length(c.bytes) > 0`
	looseEntriesOf = `SELECT e.hash, e.id, e.person
		FROM documents d JOIN changes c ON c.doc_id = d.id JOIN entries e ON e.doc_id = c.doc_id AND e.hash = c.hash
		WHERE d.site_id = $1 AND d.name = $2 AND length(c.bytes) > 0`
	countChangesOf = `SELECT COUNT(*) FROM documents d JOIN changes c ON c.doc_id = d.id WHERE d.site_id = $1 AND d.name = $2`
)

// Load implements hub.Store. Of a change whose bytes are lost it gives the rest.
func (s *Store) Load(ctx context.Context, site, doc string) (changes []hub.StoredChange, held []hub.HeldChange, err error) {
	err = s.read(ctx, "loading "+doc, func(j job) error {
		held = nil
		l := loading{job: j, site: site, doc: doc}
		if err := l.changes(); err != nil {
			return err
		}
		changes = l.list
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

// loading is one document on its way out.
type loading struct {
	job
	site, doc string
	list      []hub.StoredChange
	at        map[change.Hash]int
	loose     int  // how many stand in rows of their own
	damaged   bool // there is a pack, and it is damaged
}

func (l *loading) changes() error {
	l.at = map[change.Hash]int{}
	var packed []hub.StoredChange
	there, whole := false, false
	err := l.each(func(scan func(...any) error) error {
		var digest, bytes []byte
		if err := scan(&digest, &bytes, &whole); err != nil {
			return err
		}
		var err error
		packed, err = pack.Decode(bytes, digest)
		there, l.damaged = true, err != nil
		return nil
	}, packOf, l.site, l.doc)
	switch {
	case err != nil:
		return err
	case !there:
		err = l.rows(changesOf, entriesOf)
		l.loose = len(l.list)
		return err
	case l.damaged:
		return l.salvage(packed)
	}
	if !whole {
		if err := l.rows(looseChangesOf, looseEntriesOf); err != nil {
			return err
		}
	}
	l.loose = len(l.list)
	for _, c := range packed {
		if _, here := l.at[c.Hash]; !here {
			l.at[c.Hash] = len(l.list)
			l.list = append(l.list, c)
		}
	}
	var want int
	if _, err := l.get(countChangesOf, &want, l.site, l.doc); err != nil {
		return err
	}
	if want != len(l.list) { // the pack is not of these rows
		l.damaged = true
		return l.salvage(packed)
	}
	return nil
}

// rows reads what stands in rows of its own, and its entries.
func (l *loading) rows(changes, entries string) error {
	l.list = nil
	clear(l.at)
	err := l.each(func(scan func(...any) error) error {
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
		if c.Deps, err = split(deps); err != nil {
			return err
		}
		c.Actor, c.Seq = change.Actor(actor), uint64(seq)
		l.at[c.Hash] = len(l.list)
		l.list = append(l.list, c)
		return nil
	}, changes, l.site, l.doc)
	if err != nil || len(l.list) == 0 {
		return err
	}
	err = l.each(func(scan func(...any) error) error {
		var hash []byte
		var e hub.EntryRow
		if err := scan(&hash, &e.ID, &e.Person); err != nil {
			return err
		}
		h, err := oneHash(hash)
		if err != nil {
			return err
		}
		if i, ok := l.at[h]; ok { // it refers to its change, unless the database is damaged
			l.list[i].Entries = append(l.list[i].Entries, e)
		}
		return nil
	}, entries, l.site, l.doc)
	for _, c := range l.list {
		slices.SortFunc(c.Entries, func(a, b hub.EntryRow) int { return cmp.Compare(a.ID, b.ID) })
	}
	return err
}

// salvage goes by the rows alone, and takes from a damaged pack the chunks
// that still have their hash.
func (l *loading) salvage(packed []hub.StoredChange) error {
	if err := l.rows(changesOf, entriesOf); err != nil {
		return err
	}
	l.loose = 0
	sound := map[change.Hash]*change.Change{}
	for i := range packed {
		if c, err := change.Decode(packed[i].Bytes, change.DefaultLimits); err == nil {
			sound[c.Hash] = c
		}
	}
	for i := range l.list {
		c := &l.list[i]
		if len(c.Bytes) > 0 {
			l.loose++
		} else if is := sound[c.Hash]; is != nil {
			c.Bytes, c.Deps = is.Bytes, is.Deps
		}
	}
	return nil
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
			if d.Heads, err = split(heads); err != nil {
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
