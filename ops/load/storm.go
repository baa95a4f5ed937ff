package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// storm is writers that send at a steady rate while everybody else who has the document open gets each entry.
type storm struct {
	label    string
	shape    shape
	entries  int
	rate     float64       // entries a second, all writers together
	patience time.Duration // how long after the last send the rest may take to arrive
	probe    bool          // measure fdatasync meanwhile
	profile  string        // file for a CPU profile of our server meanwhile; "" = none
}

// warmUp is how many entries each phone writes before anything is measured.
const warmUp = 2

// openWithin bounds connecting and the warm-up.
const openWithin = 3 * time.Minute

// run measures one server once, in a fresh folder.
func (s storm) run(ctx context.Context, t target, folder string) (row, error) {
	r := row{Case: s.label, Server: t.name(), Entries: s.entries, Note: t.keeps()}
	if err := t.start(ctx, folder, s.shape); err != nil {
		return r, err
	}
	defer t.stop()

	all := s.shape.docs * s.shape.perDoc
	warm := warmUp * all
	entries, err := newPen(rand.Uint64()).draw(warm+s.entries, s.shape.docs, s.shape.perDoc, time.Now(), t.author)
	if err != nil {
		return r, err
	}
	if err := t.prepare(ctx, entries); err != nil {
		return r, err
	}
	f := &fleet{target: t, shape: s.shape, led: newLedger(entries)}
	defer f.close()
	if err := f.warm(ctx, entries[:warm], s.rate); err != nil {
		return r, t.proc().explain(fmt.Errorf("before the measurement: %w", err))
	}
	return r, t.proc().explain(s.measure(ctx, f, entries[warm:], folder, &r))
}

func (s storm) measure(ctx context.Context, f *fleet, entries []entry, folder string, r *row) error {
	p := f.target.proc()
	want := len(entries) * (s.shape.perDoc - 1)
	arrived, acked := f.goal.aim(want), f.acks.aim(len(entries))
	for _, t := range f.tallies {
		t.reset()
	}
	up, down := f.traffic.up.Load(), f.traffic.down.Load()
	var probe *syncProbe
	if s.probe {
		var err error
		if probe, err = startProbe(folder); err != nil {
			return err
		}
	}
	cpu, err := p.cpu()
	if err != nil {
		return err
	}
	profiled := make(chan error, 1)
	if o, ok := f.target.(*ours); ok && s.profile != "" {
		seconds := int(float64(len(entries))/s.rate + 1)
		go func() { profiled <- o.fetch(ctx, fmt.Sprintf("/debug/pprof/profile?seconds=%d", seconds), s.profile) }()
	} else {
		profiled <- nil
	}
	begun := time.Now()
	late, err := f.send(ctx, entries, s.rate)
	if err != nil {
		return err
	}
	if err := f.await(ctx, s.patience, arrived); err != nil && !errors.Is(err, errPatience) {
		return err
	}
	if f.target.acknowledges() {
		if err := f.await(ctx, s.patience, acked); err != nil && !errors.Is(err, errPatience) {
			return err
		}
	}
	took := time.Since(begun)
	probe.stop(r)
	if err := <-profiled; err != nil {
		return fmt.Errorf("profiling: %w", err)
	}
	select {
	case <-time.After(f.target.settles()):
	case <-ctx.Done():
		return ctx.Err()
	}
	after, err := p.cpu()
	if err != nil {
		return err
	}
	_, peak, err := p.memory()
	if err != nil {
		return err
	}
	times := gather(f.tallies, func(t *tally) []time.Duration { return t.deliveries })
	if len(times) == 0 {
		return errors.New("not one entry arrived")
	}
	r.Deliveries = len(times)
	if len(times) < want {
		r.Note += fmt.Sprintf("; did not keep up: %d of %d deliveries within %v of the last send", len(times), want, s.patience)
	}
	r.P50, r.P99 = figure(percentile(times, 50)), figure(percentile(times, 99))
	r.CPU = figure((after - cpu).Seconds() * 1000 / float64(len(times)))
	r.Peak = megabytes(peak)
	r.Up = figure(float64(f.traffic.up.Load()-up) / float64(len(entries)))
	r.Down = figure(float64(f.traffic.down.Load()-down) / float64(len(entries)))
	if f.target.acknowledges() {
		acks := gather(f.tallies, func(t *tally) []time.Duration { return t.ackTimes })
		if len(acks) > 0 {
			r.AckP50, r.AckP99 = figure(percentile(acks, 50)), figure(percentile(acks, 99))
			r.AckRate = figure(float64(len(acks)) / took.Seconds())
		}
		if len(acks) < len(entries) {
			r.Note += fmt.Sprintf("; only %d of %d entries were acknowledged", len(acks), len(entries))
		}
	}
	slices.Sort(late)
	r.LateP99 = figure(percentile(late, 99))
	return nil
}

// fleet is the phones of one run.
type fleet struct {
	target  target
	shape   shape
	led     *ledger
	traffic traffic
	goal    goal
	acks    goal
	phones  [][]phone // by document
	tallies []*tally
}

var errPatience = errors.New("not everything arrived in time")

// await waits for a goal; a phone whose connection ended ends it.
func (f *fleet) await(ctx context.Context, within time.Duration, reached <-chan struct{}) error {
	deadline := time.NewTimer(within)
	defer deadline.Stop()
	look := time.NewTicker(500 * time.Millisecond)
	defer look.Stop()
	for {
		select {
		case <-reached:
			return nil
		case <-deadline.C:
			return errPatience
		case <-ctx.Done():
			return ctx.Err()
		case <-look.C:
			if err := f.broken(); err != nil {
				return err
			}
		}
	}
}

func (f *fleet) broken() error {
	for doc, phones := range f.phones {
		for i, p := range phones {
			if p == nil {
				continue
			}
			if _, err := p.came(); err != nil {
				return fmt.Errorf("phone %d of document %d: %w", i, doc, err)
			}
		}
	}
	return nil
}

func (f *fleet) close() {
	for _, phones := range f.phones {
		for _, p := range phones {
			if p != nil {
				p.close()
			}
		}
	}
}

// opening is how many phones connect at once.
const opening = 8

// warm opens all phones and lets each write: the first of each document makes it, the others come to it.
func (f *fleet) warm(ctx context.Context, entries []entry, rate float64) error {
	ctx, cancel := context.WithTimeout(ctx, openWithin)
	defer cancel()
	f.phones = make([][]phone, f.shape.docs)
	by := make([][][]entry, f.shape.docs)
	for doc := range by {
		by[doc] = make([][]entry, f.shape.perDoc)
		f.phones[doc] = make([]phone, f.shape.perDoc)
	}
	for _, e := range entries {
		by[e.doc][e.phone] = append(by[e.doc][e.phone], e)
	}
	f.tallies = make([]*tally, f.shape.docs*f.shape.perDoc)
	for i := range f.tallies {
		f.tallies[i] = &tally{goal: &f.goal, acks: &f.acks}
	}
	open := func(doc, ph int) error {
		p, err := f.target.open(ctx, &f.traffic, f.led, f.tallies[doc*f.shape.perDoc+ph], doc, ph)
		if err != nil {
			return fmt.Errorf("connecting phone %d of document %d: %w", ph, doc, err)
		}
		f.phones[doc][ph] = p
		return nil
	}
	arrived := f.goal.aim(len(entries) * (f.shape.perDoc - 1))
	err := inParallel(opening, f.shape.docs, func(doc int) error {
		if err := open(doc, 0); err != nil {
			return err
		}
		return f.phones[doc][0].write(by[doc][0][0])
	})
	if err != nil {
		return err
	}
	rest := f.shape.perDoc - 1
	if err := inParallel(opening, f.shape.docs*rest, func(i int) error { return open(i/rest, 1+i%rest) }); err != nil {
		return err
	}
	var left []entry
	for doc := range by {
		for ph := range by[doc] {
			mine := by[doc][ph]
			if ph == 0 {
				mine = mine[1:]
			}
			left = append(left, mine...)
		}
	}
	if _, err := f.send(ctx, left, rate); err != nil {
		return err
	}
	if err := f.await(ctx, openWithin, arrived); err != nil {
		return fmt.Errorf("%w: %d of the warm-up's deliveries came", err, f.goal.count())
	}
	return nil
}

// send lets each phone write its entries, entry k at k/rate seconds. It gives how late each was sent.
func (f *fleet) send(ctx context.Context, entries []entry, rate float64) ([]time.Duration, error) {
	type job struct {
		at time.Duration
		e  entry
	}
	jobs := make(map[phone][]job)
	for k, e := range entries {
		p := f.phones[e.doc][e.phone]
		jobs[p] = append(jobs[p], job{time.Duration(float64(k) / rate * float64(time.Second)), e})
	}
	begun := time.Now()
	var mu sync.Mutex
	var late []time.Duration
	var failed error
	var all sync.WaitGroup
	for p, mine := range jobs {
		all.Add(1)
		go func() {
			defer all.Done()
			lag := make([]time.Duration, 0, len(mine))
			var err error
			for _, j := range mine {
				if wait := j.at - time.Since(begun); wait > 0 {
					select {
					case <-time.After(wait):
					case <-ctx.Done():
					}
				}
				if err = ctx.Err(); err != nil {
					break
				}
				lag = append(lag, time.Since(begun)-j.at)
				if err = p.write(j.e); err != nil {
					break
				}
			}
			mu.Lock()
			defer mu.Unlock()
			late = append(late, lag...)
			if failed == nil {
				failed = err
			}
		}()
	}
	all.Wait()
	return late, failed
}
