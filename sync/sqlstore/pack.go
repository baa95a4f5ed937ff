package sqlstore

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/pack"
)

var _ pack.Store = (*Store)(nil)

const (
	putPack = `INSERT INTO packs (doc_id, heads, digest, bytes, packed_at) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (doc_id) DO UPDATE SET heads = excluded.heads, digest = excluded.digest, bytes = excluded.bytes, packed_at = excluded.packed_at`
	emptyRows  = `UPDATE changes SET deps = $1, bytes = $1`
	ofPacked   = ` WHERE doc_id = $2 AND hash >= $3 AND hash <= $4 AND length(bytes) > 0`
	mendRow    = `UPDATE changes SET deps = $1, bytes = $2 WHERE doc_id = $3 AND hash = $4 AND bytes <> $2`
	packedFrom = `UPDATE packs SET heads = $1 WHERE doc_id = $2`
)

// Unpacked implements pack.Store; the plan is among them.
func (s *Store) Unpacked(ctx context.Context) (list []pack.Document, err error) {
	err = s.read(ctx, "listing what is not packed", func(j job) error {
		list = nil
		return j.each(func(scan func(...any) error) error {
			var d pack.Document
			if err := scan(&d.Site, &d.Name); err != nil {
				return err
			}
			list = append(list, d)
			return nil
		}, `SELECT d.site_id, d.name FROM documents d LEFT JOIN packs p ON p.doc_id = d.id WHERE p.doc_id IS NULL OR p.heads <> d.heads`)
	})
	return list, err
}

// packSlice is how many rows one transaction empties at most, so that nobody
// waits long for the writer.
const packSlice = 1000

// Pack implements pack.Store. It keeps a document in less room: it gives the
// same afterwards. It is for documents that are seldom read and hardly written
// any more; a change that comes later stands beside the pack until the document
// is packed again. What takes time is done between transactions: when the
// document was written to meanwhile, Pack leaves it and says that it packed
// nothing. A pack is stored in one transaction with the emptying of the first
// rows; where there are more, they stand for themselves until their turn comes,
// and the document is due until the last one.
func (s *Store) Pack(ctx context.Context, site, doc string, now int64) (packed bool, err error) {
	var at packState
	var changes []hub.StoredChange
	var loose []change.Hash // those whose rows are to be emptied, ascending
	err = s.read(ctx, "reading "+doc+" to pack it", func(j job) (err error) {
		changes, loose = nil, nil
		if at, err = j.packState(site, doc); err != nil || at.done() {
			return err
		}
		l := loading{job: j, site: site, doc: doc}
		if err := l.changes(); err != nil {
			return err
		}
		if l.damaged && l.loose < len(l.list) {
			return fmt.Errorf("packing %s anew: %w", doc, pack.ErrDamaged)
		}
		for _, c := range l.list[:l.loose] {
			loose = append(loose, c.Hash)
		}
		changes = l.list
		return nil
	})
	if err != nil || at.done() || len(changes) == 0 {
		return false, err
	}
	blob, err := pack.Encode(changes)
	if err != nil {
		return false, fmt.Errorf("packing %s: %w", doc, err)
	}
	digest := pack.Digest(blob)
	if err := readsBack(blob, digest, changes); err != nil {
		return false, fmt.Errorf("packing %s: %w", doc, err)
	}
	slices.SortFunc(loose, change.Hash.Compare)
	for first := true; first || len(loose) > 0; first = false {
		slice := loose[:min(packSlice, len(loose))]
		loose = loose[len(slice):]
		var same bool
		err := s.write(ctx, "packing "+doc, func(j job) error {
			if err := j.lock(site); err != nil {
				return err
			}
			is, err := j.packState(site, doc)
			if same = is.equal(at); err != nil || !same {
				return err
			}
			if first {
				if _, err := j.exec(putPack, at.id, []byte{}, digest, blob, now); err != nil {
					return err
				}
			}
			if len(slice) > 0 {
				if _, err := j.exec(emptyRows+j.engine.MoveRow+ofPacked, []byte{}, at.id, slice[0][:], slice[len(slice)-1][:]); err != nil {
					return err
				}
			}
			if len(loose) == 0 {
				_, err = j.exec(packedFrom, at.heads, at.id)
			}
			return err
		})
		if err != nil || !same {
			return false, err
		}
		at.packed, at.packedAs, at.digest = true, nil, digest
	}
	return true, nil
}

// packState is what a pack is made from.
type packState struct {
	id       string
	heads    []byte
	packed   bool
	packedAs []byte // heads when it was packed
	digest   []byte
}

func (p packState) done() bool {
	return len(p.heads) == 0 || p.packed && bytes.Equal(p.heads, p.packedAs)
}

func (p packState) equal(o packState) bool {
	return p.id == o.id && bytes.Equal(p.heads, o.heads) && p.packed == o.packed &&
		bytes.Equal(p.packedAs, o.packedAs) && bytes.Equal(p.digest, o.digest)
}

func (j job) packState(site, doc string) (p packState, err error) {
	err = j.tx.QueryRowContext(j.ctx, `SELECT id, heads FROM documents WHERE site_id = $1 AND name = $2`, site, doc).Scan(&p.id, &p.heads)
	if errors.Is(err, sql.ErrNoRows) {
		return p, nil
	}
	if err != nil {
		return p, err
	}
	err = j.tx.QueryRowContext(j.ctx, `SELECT heads, digest FROM packs WHERE doc_id = $1`, p.id).Scan(&p.packedAs, &p.digest)
	if errors.Is(err, sql.ErrNoRows) {
		return p, nil
	}
	p.packed = err == nil
	return p, err
}

// readsBack makes sure, before anything is emptied, that a pack gives what was
// put into it.
func readsBack(blob, digest []byte, changes []hub.StoredChange) error {
	got, err := pack.Decode(blob, digest)
	if err != nil {
		return err
	}
	want := slices.Clone(changes)
	byHash := func(a, b hub.StoredChange) int { return a.Hash.Compare(b.Hash) }
	slices.SortFunc(want, byHash)
	slices.SortFunc(got, byHash)
	if !slices.EqualFunc(got, want, func(a, b hub.StoredChange) bool {
		return a.Hash == b.Hash && a.Actor == b.Actor && a.Seq == b.Seq && slices.Equal(a.Deps, b.Deps) && bytes.Equal(a.Bytes, b.Bytes) &&
			a.ReceivedAt == b.ReceivedAt && a.Device == b.Device && a.Via == b.Via && slices.Equal(a.Entries, b.Entries)
	}) {
		return errors.New("the pack does not give back what was put in")
	}
	return nil
}

// mend puts the bytes of a change that is stored already into its row, where
// they are not: the row was damaged, or the pack that it relies on was, for the
// hub, which has checked their hash, would not bring them otherwise.
func (a *appending) mend(c hub.StoredChange) error {
	if len(c.Bytes) == 0 {
		return nil
	}
	mended, err := a.does(mendRow, joined(c.Deps), c.Bytes, a.DocID, c.Hash[:])
	if err == nil && mended {
		_, err = a.exec(packedFrom, []byte{}, a.DocID)
	}
	return err
}
