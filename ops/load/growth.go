package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	mathrand "math/rand/v2"
	"path/filepath"
	"time"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
	"gatewright/sync/graph"
	"gatewright/sync/hub"
)

// perMonth is how many entries a month of the big log has: the greatest that a month document is meant for.
const perMonth = 40_000

func growthSizes(quick bool) []int {
	if quick {
		return []int{1_000, 10_000, 100_000}
	}
	return []int{1_000, 10_000, 100_000, 1_000_000}
}

const growthEntries, growthRate, growthPhones = 500, 200, 5

func describeGrowth(quick bool) string {
	return fmt.Sprintf("cost of an entry with so many in the site's log already, at most %d a month, this month filled first; "+
		"%d phones, %d entries at %d a second; ratios to the smallest", perMonth, growthPhones, growthEntries, growthRate)
}

func growthCase(ctx context.Context, b *run, add func(row)) error {
	folder, done, err := b.fresh("growth")
	if err != nil {
		return err
	}
	defer done()
	g := &growth{ours: newOurs(b.binary), folder: folder}
	g.data = filepath.Join(folder, "data")
	st, err := openStore(ctx, g.data)
	if err != nil {
		return err
	}
	g.yards, err = st.settle(ctx, 1, growthPhones+1)
	if err := errors.Join(err, st.close(ctx)); err != nil {
		return err
	}
	g.fill = newFiller(g.yards[0], g.yards[0].phones[growthPhones].author)
	var first row
	for i, size := range growthSizes(b.quick) {
		begun := time.Now()
		if err := g.fillTo(ctx, size); err != nil {
			return fmt.Errorf("filling the log: %w", err)
		}
		say("growth: filled to %d entries in %.1f s", size, time.Since(begun).Seconds())
		var rows []row
		for range b.times() {
			r, err := g.measure(ctx, size)
			if err != nil {
				return err
			}
			rows = append(rows, r)
		}
		r := median(rows)
		say("growth, %d: p50 %.2f ms, %.4f CPU s per 1,000", size, *r.P50, *r.CPU)
		if i == 0 {
			first = r
		}
		r.Ratio, r.RatioP50 = divide(r.CPU, first.CPU), divide(r.P50, first.P50)
		add(r)
	}
	return nil
}

// growth is our server on one site whose log grows. As a target it is started on what is there.
type growth struct {
	*ours
	folder string
	fill   *filler
}

func (g *growth) start(ctx context.Context, _ string, _ shape) error { return g.serve(ctx) }

// open gives a phone that has the month as it was filled already, as a phone has that was here yesterday.
func (g *growth) open(ctx context.Context, t *traffic, led *ledger, tl *tally, _, ph int) (phone, error) {
	y := g.yards[0]
	c, err := dialRepo(ctx, t, g.socket(y.phones[ph]), y.phones[ph].peerID(), true, led, tl)
	if err != nil {
		return nil, err
	}
	held := graph.New()
	for _, n := range g.fill.months[0].nodes {
		if err := held.Add(n); err != nil {
			return nil, err
		}
	}
	d, err := c.open(y.documentID(g.month), held)
	if err == nil {
		err = c.until(ctx, d, d.level)
	}
	if err != nil {
		c.close()
		return nil, err
	}
	return &repoPhone{c, d}, nil
}

func (g *growth) measure(ctx context.Context, size int) (row, error) {
	s := storm{label: "growth", shape: shape{docs: 1, perDoc: growthPhones}, entries: growthEntries, rate: growthRate, patience: 30 * time.Second}
	r, err := s.run(ctx, g, g.folder)
	r.Log = size
	return r, err
}

// fillTo writes entries through the store until the log has so many, while no server runs.
func (g *growth) fillTo(ctx context.Context, size int) error {
	st, err := openStore(ctx, g.data)
	if err != nil {
		return err
	}
	return errors.Join(g.fill.to(ctx, st.db, size), st.close(ctx))
}

// filler writes a long log: one device's entries, each after the one before it, month by month backwards.
type filler struct {
	yard   yard
	by     author
	actor  change.Actor
	pen    *pen
	months []*filled // this month first
	total  int
}

// filled is what the filler wrote into one month.
type filled struct {
	name  string
	begin time.Time
	seq   uint64
	last  []change.Hash
	count int
	nodes []graph.Node // of this month only, which phones have open
}

func newFiller(y yard, by author) *filler {
	var random [16]byte
	_, _ = rand.Read(random[:]) // never fails
	return &filler{yard: y, by: by, actor: change.Actor(random[:]), pen: newPen(mathrand.Uint64())}
}

// fillBatch is how many changes go into one transaction.
const fillBatch = 20_000

func (f *filler) to(ctx context.Context, db hub.Store, size int) error {
	for month := 0; f.total < size; month++ {
		if month == len(f.months) {
			now := time.Now().UTC()
			begin := time.Date(now.Year(), now.Month()-time.Month(month), 1, 0, 0, 0, 0, time.UTC)
			f.months = append(f.months, &filled{begin: begin, name: logbook.LogDocument(logbook.MonthOf(begin.UnixMilli()))})
		}
		m := f.months[month]
		for m.count < perMonth && f.total < size {
			n := min(fillBatch, perMonth-m.count, size-f.total)
			if err := f.batch(ctx, db, m, month == 0, n); err != nil {
				return err
			}
			m.count += n
			f.total += n
		}
	}
	return nil
}

func (f *filler) batch(ctx context.Context, db hub.Store, m *filled, keep bool, n int) error {
	b := hub.Batch{Site: f.yard.site, Doc: m.name, DocID: f.yard.documentID(m.name), Now: time.Now().UnixMilli(),
		Changes: make([]hub.StoredChange, n)}
	for i := range b.Changes {
		m.seq++
		at := m.begin.Add(time.Duration(m.seq) * time.Second)
		id, raw, err := f.pen.write(at, f.by)
		if err != nil {
			return err
		}
		c, err := change.NewLogChange(f.actor, m.seq, m.seq, m.last, at.Unix(), id, raw)
		if err != nil {
			return err
		}
		m.last = []change.Hash{c.Hash}
		if keep {
			m.nodes = append(m.nodes, nodeOf(c))
		}
		b.Changes[i] = hub.StoredChange{Hash: c.Hash, Actor: c.Actor, Seq: c.Seq, Deps: c.Deps, Bytes: c.Bytes, ReceivedAt: b.Now,
			Device: f.by.device, Entries: []hub.EntryRow{{ID: id, Person: f.by.person}}}
	}
	return db.Append(ctx, b)
}
