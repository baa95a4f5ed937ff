package scrub

import (
	"bytes"
	"cmp"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/fold"
	"gatewright/sync/hub"
	"gatewright/sync/pack"
)

// page is how many changes are read at a time.
const page = 128

// looking is the look at one document.
type looking struct {
	*scrubbing
	site site
	document
	nodes map[change.Hash]node
	inner map[change.Hash]bool // named as a dependency
	seqs  map[change.Actor]numbers
	plan  []*change.Change

	pack    map[change.Hash]hub.StoredChange // what the document's pack holds and no row was found for yet
	vouched bool                             // the pack has its digest
	lost    bool                             // a change was there without bytes: its dependencies are not known
}

// node is what is kept of a change.
type node struct {
	start, last uint64 // counters of its operations; 0 when its bytes cannot be read
	deps        []change.Hash
}

// numbers of an actor: without a gap there are as many as the last one says,
// since the database lets none be there twice.
type numbers struct {
	n, last uint64
}

// row is a stored change as it stands in the database.
type row struct {
	hash, actor, deps, bytes []byte
	seq, at                  int64
	device, via              string
	bound                    sql.NullString // the actor's device
}

type entryRow struct{ site, id, person string }

func (l *looking) found(code Code, hash, wrong, remedy string) {
	l.report(Finding{Code: code, Site: l.site.slug, Document: l.name, Change: hash, Wrong: wrong, Remedy: remedy})
}

func (c *scrubbing) document(tx *sql.Tx, s site, d document) error {
	c.sum.Documents++
	l := &looking{scrubbing: c, site: s, document: d,
		nodes: map[change.Hash]node{}, inner: map[change.Hash]bool{}, seqs: map[change.Actor]numbers{}}
	if !belongs(s, d) {
		l.found(Name, "", "its id "+d.id+" is not the one that follows from site and name", backup)
	}
	var heads []byte
	if err := tx.QueryRowContext(c.ctx, `SELECT heads FROM documents WHERE id = $1`, d.id).Scan(&heads); err != nil {
		return err
	}
	if err := l.packed(tx); err != nil {
		return err
	}
	last := []byte{}
	for {
		rows, err := l.rows(tx, last)
		if err != nil {
			return err
		}
		end := bytes.Repeat([]byte{0xff}, len(change.Hash{})+1)
		if len(rows) == page {
			end = rows[page-1].hash
		}
		entries, err := l.entries(tx, last, end)
		if err != nil {
			return err
		}
		for _, r := range rows {
			l.change(r, entries[string(r.hash)])
			delete(entries, string(r.hash))
		}
		for _, hash := range slices.Sorted(maps.Keys(entries)) {
			for _, e := range entries[hash] {
				l.found(NoEntry, fmt.Sprintf("%x", hash), "the row of entry "+e.id+" names this change, which is not stored", backup)
			}
		}
		if len(rows) < page {
			break
		}
		last = end
	}
	for _, h := range slices.SortedFunc(maps.Keys(l.pack), change.Hash.Compare) {
		if !l.vouched {
			break // it may be any string of bytes
		}
		l.found(Pack, h.String(), "the pack holds it, but it is not stored", backup)
	}
	l.whole(heads)
	return nil
}

// packed reads the document's pack, if it has one.
func (l *looking) packed(tx *sql.Tx) error {
	var digest, blob []byte
	err := tx.QueryRowContext(l.ctx, `SELECT digest, bytes FROM packs WHERE doc_id = $1`, l.id).Scan(&digest, &blob)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	l.sum.Packs++
	changes, err := pack.Decode(blob, digest)
	if l.vouched = err == nil; !l.vouched {
		l.found(Pack, "", "its pack does not have its digest or cannot be read", phones)
	}
	l.pack = make(map[change.Hash]hub.StoredChange, len(changes))
	for _, c := range changes {
		l.pack[c.Hash] = c
	}
	return nil
}

func (l *looking) rows(tx *sql.Tx, after []byte) (list []row, err error) {
	err = l.each(tx, func(scan func(...any) error) error {
		var r row
		if err := scan(&r.hash, &r.actor, &r.seq, &r.deps, &r.bytes, &r.at, &r.device, &r.via, &r.bound); err != nil {
			return err
		}
		list = append(list, r)
		return nil
	}, `SELECT c.hash, c.actor, c.seq, c.deps, c.bytes, c.received_at, c.device, c.via, a.device
		FROM changes c LEFT JOIN actors a ON a.site_id = $1 AND a.actor = c.actor
		WHERE c.doc_id = $2 AND c.hash > $3 ORDER BY c.hash LIMIT $4`, l.site.id, l.id, after, page)
	return list, err
}

// entries gives the rows of entries by the hash they name.
func (l *looking) entries(tx *sql.Tx, after, end []byte) (map[string][]entryRow, error) {
	byHash := map[string][]entryRow{}
	err := l.each(tx, func(scan func(...any) error) error {
		var hash []byte
		var e entryRow
		if err := scan(&hash, &e.site, &e.id, &e.person); err != nil {
			return err
		}
		byHash[string(hash)] = append(byHash[string(hash)], e)
		return nil
	}, `SELECT hash, site_id, id, person FROM entries WHERE doc_id = $1 AND hash > $2 AND hash <= $3 ORDER BY hash, id`, l.id, after, end)
	return byHash, err
}

// change looks at one stored change and the rows of its entries.
func (l *looking) change(r row, entries []entryRow) {
	l.sum.Changes++
	name := fmt.Sprintf("%x", r.hash)
	if len(r.hash) != len(change.Hash{}) {
		l.found(Hash, name, "its hash is damaged", backup)
		return
	}
	hash := change.Hash(r.hash)
	in, packed := l.pack[hash]
	delete(l.pack, hash)
	packed = packed && len(r.bytes) == 0 // else the row stands for itself
	deps, ok := hashes(r.deps)
	switch {
	case !ok:
		l.found(Columns, name, "the list of its dependencies is damaged", backup)
	case packed:
		r.bytes, deps, ok = in.Bytes, in.Deps, l.vouched
		if l.vouched && (in.ReceivedAt != r.at || in.Device != r.device || in.Via != r.via) {
			l.found(Columns, name, "its row names another device or instant than its pack", backup)
		}
	}
	n := node{deps: deps}
	c, err := change.Decode(r.bytes, limits)
	switch {
	case len(r.bytes) == 0:
		l.lost = true
		l.found(Decode, name, "its bytes are not there", phones)
	case err != nil:
		l.found(Decode, name, "its bytes cannot be read: "+err.Error(), phones)
	case c.Hash != hash:
		l.found(Hash, name, "its bytes have the hash "+c.Hash.String(), phones)
	default:
		if ok && (change.Actor(r.actor) != c.Actor || uint64(r.seq) != c.Seq || !slices.Equal(deps, c.Deps)) {
			l.found(Columns, name, "actor, number or dependencies beside it are not those that its bytes say", backup)
		}
		n = node{c.StartOp, c.MaxOp(), c.Deps}
		held := l.content(c, entries)
		if packed && l.vouched && (in.Actor != c.Actor || in.Seq != c.Seq || !slices.Equal(in.Entries, held)) {
			l.found(Pack, name, "its pack lists another actor, number or entries than it holds", backup)
		}
	}
	l.nodes[hash] = n
	for _, d := range n.deps {
		l.inner[d] = true
	}
	a := l.seqs[change.Actor(r.actor)]
	l.seqs[change.Actor(r.actor)] = numbers{a.n + 1, max(a.last, uint64(max(r.seq, 0)))}
	switch {
	case !r.bound.Valid:
		l.found(Actor, name, fmt.Sprintf("its actor %x is bound to no device", r.actor), backup)
	case r.bound.String != r.device:
		l.found(Actor, name, fmt.Sprintf("it is stored as made by %s, but its actor %x is bound to %s", r.device, r.actor, r.bound.String), backup)
	}
}

// content looks at what a sound change holds, and at the rows of its entries.
// It gives the rows as they should be, ordered by id.
func (l *looking) content(c *change.Change, rows []entryRow) (want []hub.EntryRow) {
	name := c.Hash.String()
	reading, verdict := admit.Read(l.name, c)
	if verdict != nil {
		l.found(Content, name, "it holds what this document may not hold: "+verdict.Reason, backup)
	}
	if !admit.IsLog(l.name) {
		l.plan = append(l.plan, c)
	}
	there := make(map[string]entryRow, len(rows))
	for _, r := range rows {
		there[r.id] = r
	}
	for _, e := range reading.Entries {
		l.sum.Entries++
		want = append(want, hub.EntryRow{ID: string(e.ID), Person: e.By})
		r, ok := there[string(e.ID)]
		delete(there, string(e.ID))
		switch {
		case !ok:
			l.found(EntryRow, name, "its entry "+string(e.ID)+" has no row", backup)
		case r.site != l.site.id:
			l.found(EntryRow, name, "the row of its entry "+r.id+" stands at site "+r.site, backup)
		case r.person != e.By:
			l.found(EntryRow, name, "the row of its entry "+r.id+" names "+r.person+", but it is by "+e.By, backup)
		}
	}
	for _, r := range rows {
		if _, left := there[r.id]; left {
			l.found(NoEntry, name, "the row of entry "+r.id+" names this change, which does not hold it", backup)
		}
	}
	slices.SortFunc(want, func(a, b hub.EntryRow) int { return cmp.Compare(a.ID, b.ID) })
	return want
}

// whole looks at how the changes hang together.
func (l *looking) whole(heads []byte) {
	var tips []change.Hash
	for _, h := range slices.SortedFunc(maps.Keys(l.nodes), change.Hash.Compare) {
		n := l.nodes[h]
		if !l.inner[h] {
			tips = append(tips, h)
		}
		known, top := n.start > 0, uint64(0)
		for _, d := range n.deps {
			dep, there := l.nodes[d]
			if !there {
				l.found(Deps, h.String(), "it depends on "+d.String()+", which is not stored", author)
			}
			known = known && there && dep.start > 0
			top = max(top, dep.last)
		}
		if known && n.start != top+1 {
			l.found(Counters, h.String(), fmt.Sprintf("its operations count from %d, its dependencies go to %d", n.start, top), backup)
		}
	}
	for _, a := range slices.Sorted(maps.Keys(l.seqs)) {
		n := l.seqs[a]
		if n.n != n.last {
			l.found(Seq, "", fmt.Sprintf("of actor %s there are %d changes, but the last has number %d", a, n.n, n.last), author)
		}
	}
	if stored, ok := hashes(heads); !ok {
		l.found(Heads, "", "the list of its heads is damaged", backup)
	} else if !slices.Equal(stored, tips) && !l.lost {
		l.found(Heads, "", fmt.Sprintf("its heads are not those that its changes give (%d stored, %d follow)", len(stored), len(tips)), backup)
	}
	if !admit.IsLog(l.name) {
		l.fold()
	}
}

// fold makes the plan of its changes. Every change counts on from those it
// depends on, so that the order of counters is one in which they can be applied.
func (l *looking) fold() {
	slices.SortFunc(l.plan, func(a, b *change.Change) int {
		return cmp.Or(cmp.Compare(a.StartOp, b.StartOp), a.Hash.Compare(b.Hash))
	})
	f := fold.New()
	for _, c := range l.plan {
		if err := f.Apply(c); err != nil {
			l.found(Plan, c.Hash.String(), "it cannot be applied to the plan: "+err.Error(), author)
		}
	}
	if _, err := logbook.ParsePlan(f.JSON()); err != nil {
		l.found(Plan, "", "it cannot be read: "+err.Error(), backup)
	}
}

// hashes reads a list of hashes, one after the other.
func hashes(b []byte) (list []change.Hash, ok bool) {
	const n = len(change.Hash{})
	if len(b)%n != 0 {
		return nil, false
	}
	for c := range slices.Chunk(b, n) {
		list = append(list, change.Hash(c))
	}
	return list, true
}
