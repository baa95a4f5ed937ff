package scrub

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

// ErrNoSite says that Options.Site names none.
var ErrNoSite = errors.New("there is no site of that name")

// limits under which a stored change is read: it came in through stricter ones.
var limits = change.Limits{Chunk: 4 << 20, Inflated: 4 << 20, Ops: 200_000, Preds: 200_000, Deps: 100_000}

// Check looks through a database. The error says why it could not; what is
// wrong with the contents goes to Options.Report.
func Check(ctx context.Context, src Source, o Options) (Summary, error) {
	c := &scrubbing{ctx: ctx, src: src, o: o}
	wrong, err := src.Integrity(ctx)
	if err != nil {
		return c.sum, fmt.Errorf("having the engine look at itself: %w", err)
	}
	for _, w := range wrong {
		c.report(Finding{Code: Engine, Wrong: w, Remedy: backup})
	}
	if r, ok := src.(Remembering); ok && r.Behind() > 0 {
		c.report(Finding{Code: Missing, Wrong: fmt.Sprintf("the database is older than what was acknowledged: %d batches of changes are missing", r.Behind()), Remedy: window})
	}
	sites, err := c.sites()
	if err != nil {
		return c.sum, err
	}
	for _, s := range sites {
		if err := c.site(s); err != nil {
			return c.sum, fmt.Errorf("looking through %s: %w", s.slug, err)
		}
	}
	return c.sum, nil
}

// scrubbing is one look through a database.
type scrubbing struct {
	ctx context.Context
	src Source
	o   Options
	sum Summary
}

type site struct{ id, slug string }

type document struct{ id, name string }

func (c *scrubbing) report(f Finding) {
	c.sum.Findings++
	c.o.Report(f)
}

// each calls fn for every row of a query.
func (c *scrubbing) each(tx *sql.Tx, fn func(scan func(...any) error) error, query string, args ...any) (err error) {
	rows, err := tx.QueryContext(c.ctx, query, args...)
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

func (c *scrubbing) sites() (list []site, err error) {
	err = c.src.Snapshot(c.ctx, func(_ context.Context, tx *sql.Tx) error {
		list = nil
		return c.each(tx, func(scan func(...any) error) error {
			var s site
			if err := scan(&s.id, &s.slug); err != nil {
				return err
			}
			if c.o.Site == "" || c.o.Site == s.slug {
				list = append(list, s)
			}
			return nil
		}, `SELECT id, slug FROM sites ORDER BY slug`)
	})
	if err == nil && c.o.Site != "" && len(list) == 0 {
		err = ErrNoSite
	}
	if err != nil {
		return nil, fmt.Errorf("listing sites: %w", err)
	}
	return list, nil
}

// part runs one piece of the look on a snapshot, which may take more than one
// run. What the engine cannot read is a finding, and the look goes on with the
// next piece; a database that is away or too slow is none.
func (c *scrubbing) part(s site, doc string, fn func(tx *sql.Tx) error) error {
	sum, report := c.sum, c.o.Report
	var found []Finding
	c.o.Report = func(f Finding) { found = append(found, f) }
	err := c.src.Snapshot(c.ctx, func(_ context.Context, tx *sql.Tx) error {
		c.sum, found = sum, nil
		return fn(tx)
	})
	c.o.Report = report
	for _, f := range found {
		report(f)
	}
	if err != nil && c.ctx.Err() == nil && !errors.Is(err, hub.ErrAway) && !errors.Is(err, context.DeadlineExceeded) {
		c.report(Finding{Code: Unreadable, Site: s.slug, Document: doc, Wrong: "its rows cannot be read: " + err.Error(), Remedy: backup})
		return nil
	}
	return err
}

func (c *scrubbing) site(s site) error {
	c.sum.Sites++
	var docs []document
	err := c.part(s, "", func(tx *sql.Tx) error {
		docs = nil
		return c.each(tx, func(scan func(...any) error) error {
			var d document
			if err := scan(&d.id, &d.name); err != nil {
				return err
			}
			docs = append(docs, d)
			return nil
		}, `SELECT id, name FROM documents WHERE site_id = $1 ORDER BY name`, s.id)
	})
	if err != nil {
		return err
	}
	for i, d := range docs {
		if c.o.Told != nil {
			c.o.Told(s.slug, i, len(docs))
		}
		if err := c.part(s, d.name, func(tx *sql.Tx) error { return c.document(tx, s, d) }); err != nil {
			return err
		}
	}
	for _, fn := range []func(*sql.Tx, site) error{c.strayEntries, c.held, c.refused} {
		if err := c.part(s, "", func(tx *sql.Tx) error { return fn(tx, s) }); err != nil {
			return err
		}
	}
	if c.o.Told != nil {
		c.o.Told(s.slug, len(docs), len(docs))
	}
	return nil
}

// belongs reports whether an id is the one that follows from site and name.
func belongs(s site, d document) bool {
	uuid, err := logbook.ParseUUID(s.id)
	return err == nil && wire.DocumentID(logbook.DocID(uuid, d.name)) == d.id
}

// strayEntries finds rows that belong to no document of their site; those that
// do are looked at with the document.
func (c *scrubbing) strayEntries(tx *sql.Tx, s site) error {
	return c.each(tx, func(scan func(...any) error) error {
		var id, doc string
		if err := scan(&id, &doc); err != nil {
			return err
		}
		c.report(Finding{Code: NoEntry, Site: s.slug, Remedy: backup,
			Wrong: fmt.Sprintf("the row of entry %s names document %s, which is not one of this site", id, doc)})
		return nil
	}, `SELECT e.id, e.doc_id FROM entries e LEFT JOIN documents d ON d.id = e.doc_id AND d.site_id = e.site_id
		WHERE e.site_id = $1 AND d.id IS NULL ORDER BY e.id`, s.id)
}

func (c *scrubbing) held(tx *sql.Tx, s site) error {
	return c.each(tx, func(scan func(...any) error) error {
		var d document
		var hash, bytes []byte
		var stored bool
		if err := scan(&d.id, &d.name, &hash, &bytes, &stored); err != nil {
			return err
		}
		c.sum.Held++
		found := func(wrong string) {
			c.report(Finding{Code: Held, Site: s.slug, Document: d.name, Change: fmt.Sprintf("%x", hash), Wrong: wrong, Remedy: phones})
		}
		if !belongs(s, d) {
			found("it is held for document " + d.id + ", which is not the one of that name")
		}
		if stored {
			found("it is held and stored as well")
		}
		if got, err := change.Decode(bytes, limits); err != nil {
			found("it is held, and its bytes are no change: " + err.Error())
		} else if string(got.Hash[:]) != string(hash) {
			found("it is held, and its bytes have the hash " + got.Hash.String())
		}
		return nil
	}, `SELECT h.doc_id, h.doc, h.hash, h.bytes, EXISTS (SELECT 1 FROM changes c WHERE c.doc_id = h.doc_id AND c.hash = h.hash)
		FROM held h WHERE h.site_id = $1 ORDER BY h.doc_id, h.hash`, s.id)
}

// refused reads the quarantine. Its bytes may be anything: they were refused.
func (c *scrubbing) refused(tx *sql.Tx, s site) error {
	return c.each(tx, func(scan func(...any) error) error {
		var id, doc, entries string
		var hash []byte
		if err := scan(&id, &doc, &hash, &entries); err != nil {
			return err
		}
		c.sum.Refused++
		found := func(wrong string) {
			c.report(Finding{Code: Quarantine, Site: s.slug, Document: doc, Wrong: "the refused record " + id + " " + wrong, Remedy: backup})
		}
		if len(hash) != len(change.Hash{}) {
			found(fmt.Sprintf("has a hash of %d bytes", len(hash)))
		}
		var list []string
		if err := json.Unmarshal([]byte(entries), &list); err != nil {
			found("has a list of entries that cannot be read: " + err.Error())
		}
		return nil
	}, `SELECT id, doc, hash, entries FROM quarantine WHERE site_id = $1 ORDER BY id`, s.id)
}
