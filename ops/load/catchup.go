package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"
)

// catching is phones that come back after a month, one after the other.
type catching struct{ entries, phones int }

func catchingOf(quick bool) catching {
	if quick {
		return catching{1500, 5}
	}
	return catching{1500, 20}
}

func describeCatchUp(quick bool) string {
	c := catchingOf(quick)
	return fmt.Sprintf("a phone 30 days behind: %d phones in turn, each from dialling to the last of a month's %d entries, which the server has in memory", c.phones, c.entries)
}

func catchUpCase(ctx context.Context, b *run, add func(row)) error {
	return b.each(add, func(t target) (row, error) {
		folder, done, err := b.fresh(t.name())
		if err != nil {
			return row{}, err
		}
		defer done()
		return catchingOf(b.quick).run(ctx, t, folder)
	})
}

// catchUpBatch is how many entries the writer sends at once, where the protocol has such a message.
const catchUpBatch = 50

func (c catching) run(ctx context.Context, t target, folder string) (row, error) {
	r := row{Server: t.name(), Log: c.entries, Phones: c.phones, Note: t.keeps()}
	ctx, cancel := context.WithTimeout(ctx, openWithin)
	defer cancel()
	// Phone 0 writes the month, phone 1 sees that it is all there, the others catch up.
	f := &fleet{target: t, shape: shape{docs: 1, perDoc: 2 + c.phones}}
	if err := t.start(ctx, folder, f.shape); err != nil {
		return r, err
	}
	defer t.stop()
	entries, err := newPen(rand.Uint64()).draw(c.entries, 1, 1, time.Now(), t.author)
	if err != nil {
		return r, err
	}
	if err := t.prepare(ctx, entries); err != nil {
		return r, err
	}
	f.led = newLedger(entries)
	f.phones = [][]phone{make([]phone, 2)}
	defer f.close()
	open := func(ph int, of *goal) (phone, error) {
		return t.open(ctx, &f.traffic, f.led, &tally{goal: of, acks: &f.acks}, 0, ph)
	}
	arrived := f.goal.aim(c.entries)
	if f.phones[0][0], err = open(0, &f.goal); err != nil {
		return r, t.proc().explain(err)
	}
	if err := f.phones[0][0].write(entries[0]); err != nil {
		return r, err
	}
	if f.phones[0][1], err = open(1, &f.goal); err != nil {
		return r, t.proc().explain(err)
	}
	for part := range slices.Chunk(entries[1:], catchUpBatch) {
		if err := f.phones[0][0].write(part...); err != nil {
			return r, err
		}
	}
	if err := f.await(ctx, openWithin, arrived); err != nil {
		return r, t.proc().explain(fmt.Errorf("%w: %d of the month's entries came", err, f.goal.count()))
	}
	if err := rest(ctx, t.settles()); err != nil {
		return r, err
	}

	p := t.proc()
	cpu, err := p.cpu()
	if err != nil {
		return r, err
	}
	up, down := f.traffic.up.Load(), f.traffic.down.Load()
	var times []time.Duration
	for i := range c.phones {
		var g goal
		all := g.aim(c.entries)
		begun := time.Now()
		ph, err := open(2+i, &g)
		if err != nil {
			return r, p.explain(err)
		}
		if err = f.await(ctx, openWithin, all); err != nil {
			err = fmt.Errorf("%w: a phone got %d of %d entries", err, g.count(), c.entries)
		}
		times = append(times, time.Since(begun))
		ph.close()
		if err != nil {
			return r, p.explain(err)
		}
	}
	if err := rest(ctx, t.settles()); err != nil {
		return r, err
	}
	after, err := p.cpu()
	if err != nil {
		return r, err
	}
	_, peak, err := p.memory()
	if err != nil {
		return r, err
	}
	slices.Sort(times)
	r.Deliveries = c.entries * c.phones
	r.P50, r.P99, r.Peak = figure(percentile(times, 50)), figure(percentile(times, 99)), megabytes(peak)
	r.CPU = figure((after - cpu).Seconds() * 1000 / float64(r.Deliveries))
	r.Up = figure(float64(f.traffic.up.Load()-up) / float64(r.Deliveries))
	r.Down = figure(float64(f.traffic.down.Load()-down) / float64(r.Deliveries))
	return r, nil
}

// rest waits for a time, which a server is known to need after the last it was asked.
func rest(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
