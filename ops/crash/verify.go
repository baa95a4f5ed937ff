package crash

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/change"
	"gatewright/sync/replay"
	"gatewright/sync/wire"
)

// Losses is what a look at the database found.
type Losses struct {
	Lost    int // acknowledged and not there
	Altered int // there in other bytes
	Strange int // there and never recorded, or there twice
}

func (l Losses) none() bool { return l == Losses{} }

func (l *Losses) add(o Losses) { l.Lost += o.Lost; l.Altered += o.Altered; l.Strange += o.Strange }

// maxNamed bounds how many entries of a kind are named in what is said.
const maxNamed = 5

// finding collects losses with the first few named.
type finding struct {
	Losses
	named []error
}

func (f *finding) note(count *int, format string, args ...any) {
	if *count++; *count <= maxNamed {
		f.named = append(f.named, fmt.Errorf(format, args...))
	}
}

// lookUp reads given entries one by one through the table of entries: the cheap look after each kill.
func (t *Trial) lookUp(ctx context.Context, ids []logbook.EntryID) (finding, error) {
	db, err := t.store.Open(ctx)
	if err != nil {
		return finding{}, err
	}
	defer db.Close()
	return t.lookUpIn(ctx, db, ids)
}

// reading is what can be asked.
type reading interface{ Reader() *sql.DB }

func (t *Trial) lookUpIn(ctx context.Context, db reading, ids []logbook.EntryID) (finding, error) {
	var f finding
	stmt, err := db.Reader().PrepareContext(ctx, `SELECT c.hash, c.bytes FROM entries e
		JOIN changes c ON c.doc_id = e.doc_id AND c.hash = e.hash WHERE e.site_id = $1 AND e.id = $2`)
	if err != nil {
		return f, err
	}
	defer stmt.Close()
	for _, id := range ids {
		r, _ := t.ledger.get(id)
		var hash, raw []byte
		switch err := stmt.QueryRowContext(ctx, t.sites[r.site].id, string(id)).Scan(&hash, &raw); {
		case errors.Is(err, sql.ErrNoRows):
			f.note(&f.Lost, "entry %s was acknowledged and is not in the database", id)
			continue
		case err != nil:
			return f, fmt.Errorf("looking for entry %s: %w", id, err)
		}
		c, err := change.Decode(raw, change.DefaultLimits)
		switch {
		case err != nil:
			f.note(&f.Altered, "the change of entry %s: %v", id, err)
		case string(hash) != string(c.Hash[:]):
			f.note(&f.Altered, "the change of entry %s has another hash than its row", id)
		case entriesOf(c)[id] != r.raw:
			f.note(&f.Altered, "entry %s has other bytes than were saved", id)
		}
	}
	return f, nil
}

func entriesOf(c *change.Change) map[logbook.EntryID]string {
	out := map[logbook.EntryID]string{}
	for _, op := range c.Ops {
		if op.Action == change.Set && op.Obj.IsZero() && op.Value.Kind == change.KindString {
			out[logbook.EntryID(op.Key)] = op.Value.Str
		}
	}
	return out
}

// lookThrough has the program's own check go through everything, and then reads every document of every site and
// holds it against the witness.
func (t *Trial) lookThrough(ctx context.Context) (finding, error) {
	var f finding
	db, err := t.store.Open(ctx)
	if err != nil {
		return f, err
	}
	defer db.Close()
	if _, err := t.console(ctx, "check"); err != nil {
		return f, err
	}
	for _, s := range t.sites {
		if err := t.lookThroughSite(ctx, db, s, &f); err != nil {
			return f, fmt.Errorf("site %d: %w", s.index, err)
		}
	}
	return f, nil
}

func (t *Trial) lookThroughSite(ctx context.Context, db Database, s *site, f *finding) error {
	docs, err := db.Documents(ctx, s.id)
	if err != nil {
		return err
	}
	there := map[logbook.EntryID]string{}
	for _, d := range docs {
		stored, held, err := db.Load(ctx, s.id, d.Name)
		if err != nil {
			return err
		}
		if len(held) > 0 {
			f.note(&f.Strange, "%s holds %d changes back", d.Name, len(held))
		}
		for _, row := range stored {
			c, err := change.Decode(row.Bytes, change.DefaultLimits)
			if err != nil || c.Hash != row.Hash {
				f.note(&f.Altered, "%s: change %s has other bytes than its hash says: %v", d.Name, row.Hash, err)
				continue
			}
			if d.Name == replay.PlanName {
				continue
			}
			rows := map[logbook.EntryID]bool{}
			for _, e := range row.Entries {
				rows[logbook.EntryID(e.ID)] = true
			}
			for id, raw := range entriesOf(c) {
				if _, twice := there[id]; twice {
					f.note(&f.Strange, "entry %s is there twice", id)
				}
				if !rows[id] {
					f.note(&f.Strange, "entry %s has no row", id)
				}
				there[id] = raw
			}
		}
	}
	t.compare(s, there, f)
	return t.nothingRefused(ctx, db, s, f)
}

// compare holds what is there against what phones saved and what was acknowledged to them.
func (t *Trial) compare(s *site, there map[logbook.EntryID]string, f *finding) {
	known := t.ledger.of(s.index)
	for id, r := range known {
		raw, ok := there[id]
		switch {
		case !ok && r.acked:
			f.note(&f.Lost, "entry %s was acknowledged and is not there", id)
		case ok && raw != r.raw:
			f.note(&f.Altered, "entry %s has other bytes than were saved", id)
		}
	}
	for id := range there {
		if _, ok := known[id]; !ok {
			f.note(&f.Strange, "entry %s was never recorded", id)
		}
	}
}

func (t *Trial) nothingRefused(ctx context.Context, db Database, s *site, f *finding) error {
	var n int
	if err := db.Reader().QueryRowContext(ctx, `SELECT COUNT(*) FROM quarantine WHERE site_id = $1`, s.id).Scan(&n); err != nil {
		return err
	}
	if n > 0 {
		f.note(&f.Strange, "%d changes were refused", n)
	}
	return nil
}

// freshReaders has a new phone at every site fetch everything from the server, and compares what it got.
func (t *Trial) freshReaders(ctx context.Context) (finding, error) {
	var f finding
	for _, s := range t.sites {
		there, err := t.freshReader(ctx, s)
		if err != nil {
			return f, fmt.Errorf("a new phone at site %d: %w", s.index, err)
		}
		t.compare(s, there, &f)
	}
	return f, nil
}

// levelWithin bounds how long a new phone may take to fetch a site.
const levelWithin = time.Minute

// freshReader gives the recorded entries that a new phone got.
func (t *Trial) freshReader(ctx context.Context, s *site) (map[logbook.EntryID]string, error) {
	if s.reader == nil {
		var err error
		if s.reader, err = t.enrol(ctx, s); err != nil {
			return nil, err
		}
	}
	h, err := t.newHandset(s, s.reader)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, levelWithin)
	defer cancel()
	said := map[string][]change.Hash{} // heads, as the server said last
	names := map[string]string{}
	end, err := h.session(ctx, t.server.base, func(m wire.Message) bool {
		switch m := m.(type) {
		case wire.Documents:
			for _, d := range m.Documents {
				names[d.ID], said[d.Name] = d.Name, d.Heads
			}
		case wire.Sync:
			if p, err := wire.DecodeSync(m.Data); err == nil {
				said[names[m.DocumentID]] = p.Heads
			}
		case wire.Unavailable: // it has nothing of that document after all
			said[names[m.DocumentID]] = nil
		}
		return level(h.phone, said)
	})
	if err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("everything coming: not within %v: %w\n%s\n%s", levelWithin, err, strings.Join(h.said, "\n"), t.server.said)
	}
	if !level(h.phone, said) {
		return nil, fmt.Errorf("%w: %s", errCutOff, end)
	}
	there := map[logbook.EntryID]string{}
	for id := range t.ledger.of(s.index) {
		if raw, ok := h.phone.Entry(id); ok {
			there[id] = raw
		}
	}
	return there, nil
}

// errCutOff is a socket that ended before everything had come.
var errCutOff = errors.New("the socket ended before everything had come")

// A phone with nothing of its own is level when it has the heads that the server named last, of every document.
func level(p *phonesim.Phone, said map[string][]change.Hash) bool {
	for name, heads := range said {
		if !slices.Equal(p.Heads(name), heads) {
			return false
		}
	}
	return len(said) > 0
}
