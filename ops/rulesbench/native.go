package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"runtime"
	"slices"
	"time"

	"gatewright/schema/logbook"
	"gatewright/schema/rules"
	"gatewright/sync/change"
	"gatewright/sync/fold"
)

// site is what the cases are measured on.
type site struct {
	changes    [][]byte
	plan       *logbook.Plan
	projection []byte
}

// newSite is one that is to have so long a log.
func newSite(ctx context.Context, entries int) (*site, error) {
	changes, err := writtenPlan(ctx, opening(entries))
	if err != nil {
		return nil, err
	}
	s := &site{changes: changes}
	s.plan, s.projection, err = readPlan(changes)
	if err != nil {
		return nil, err
	}
	if len(s.plan.Problems) > 0 {
		return nil, fmt.Errorf("the plan has a problem: %s", s.plan.Problems[0].Detail)
	}
	return s, nil
}

func readPlan(changes [][]byte) (*logbook.Plan, []byte, error) {
	f := fold.New()
	for _, raw := range changes {
		c, err := change.Decode(raw, change.DefaultLimits)
		if err == nil {
			err = f.Apply(c)
		}
		if err != nil {
			return nil, nil, fmt.Errorf("reading the plan: %w", err)
		}
	}
	projection := f.JSON()
	plan, err := logbook.ParsePlan(projection)
	return plan, projection, err
}

// moment is a little after an entry was recorded.
func moment(raw []byte) (int64, error) {
	e, err := logbook.ParseEntry(raw)
	if err != nil {
		return 0, err
	}
	return max(e.At, e.ID.Time()) + 1000, nil
}

// first measures from stored bytes to the first answer.
func (s *site) first(entries, runs int) (row, error) {
	log, _, err := drawn(s.plan, entries, 0)
	if err != nil {
		return row{}, err
	}
	now, err := moment(log[len(log)-1])
	if err != nil {
		return row{}, err
	}
	texts := make([]string, len(log)) // as the decoder of changes and the phone's module have them
	for i, raw := range log {
		texts[i] = string(raw)
	}
	var plan, parse, judge, write, total []time.Duration
	r := row{Entries: entries, Runs: runs}
	for range runs {
		runtime.GC()
		t0 := time.Now()
		p, projection, err := readPlan(s.changes)
		if err != nil {
			return r, err
		}
		t1 := time.Now()
		// As the phone's module and the server do it: an entry is read into the place of the one before, and given.
		var x logbook.Entry
		for i, text := range texts {
			if err := logbook.ReadEntry(&x, text); err != nil {
				return r, fmt.Errorf("entry %d: %w", i, err)
			}
		}
		t2 := time.Now()
		e := rules.New()
		e.SetPlan(p, projection)
		e.Grow(len(texts))
		for i, text := range texts {
			if err := logbook.ReadEntry(&x, text); err != nil {
				return r, fmt.Errorf("entry %d: %w", i, err)
			}
			e.Add(&x)
		}
		out := e.Evaluate(now)
		t3 := time.Now()
		text := out.AppendJSON(nil)
		t4 := time.Now()
		read := t2.Sub(t1) // once to see what reading costs, once for the rules: it counts once
		plan, parse, judge = append(plan, t1.Sub(t0)), append(parse, read), append(judge, t3.Sub(t2)-read)
		write, total = append(write, t4.Sub(t3)), append(total, t4.Sub(t0)-read)
		r.Output = len(text)
	}
	r.Plan, r.Parse, r.Judge, r.Write, r.Total = millis(median(plan)), millis(median(parse)), millis(median(judge)), millis(median(write)), millis(median(total))
	return r, nil
}

// engine is one with a log of so many entries, at rest at now; after are entries of the time that follows.
func (s *site) engine(entries, more int) (e *rules.Engine, now int64, log, after [][]byte, err error) {
	if log, after, err = drawn(s.plan, entries, more); err != nil {
		return nil, 0, nil, nil, err
	}
	if now, err = moment(log[len(log)-1]); err != nil {
		return nil, 0, nil, nil, err
	}
	e = rules.New()
	e.SetPlan(s.plan, s.projection)
	for _, raw := range log {
		x, err := logbook.ParseEntry(raw)
		if err != nil {
			return nil, 0, nil, nil, err
		}
		e.Add(x)
	}
	e.Evaluate(now)
	return e, now, log, after, nil
}

// budget is the time that the samples of one case may take; the number that fitted is in the row.
const budget = 20 * time.Second

// steps measures add, wait and late beside a log of so many entries.
func (s *site) steps(entries, samples int, tell func(row)) error {
	e, now, log, after, err := s.engine(entries, samples)
	if err != nil {
		return err
	}
	runtime.GC()
	var mem runtime.MemStats
	runtime.ReadMemStats(&mem)
	heap := float64(mem.HeapAlloc) / (1 << 20)

	var add, wait, write []time.Duration
	var buf []byte
	begun := time.Now()
	for _, raw := range after {
		x, err := logbook.ParseEntry(raw)
		if err != nil {
			return err
		}
		if now, err = moment(raw); err != nil {
			return err
		}
		t0 := time.Now()
		e.Evaluate(now)
		t1 := time.Now()
		e.Add(x)
		out := e.Evaluate(now)
		t2 := time.Now()
		buf = out.AppendJSON(buf[:0])
		t3 := time.Now()
		wait, add, write = append(wait, t1.Sub(t0)), append(add, t2.Sub(t1)), append(write, t3.Sub(t2))
		if time.Since(begun) > budget {
			break
		}
	}
	tell(spread(row{Case: "add", Entries: entries, Heap: heap, WriteP50: micros(median(write)), Output: len(buf)}, add))
	tell(spread(row{Case: "wait", Entries: entries}, wait))

	late, err := s.tardy(log, samples)
	if err != nil {
		return err
	}
	add = add[:0]
	begun = time.Now()
	for _, raw := range late {
		x, err := logbook.ParseEntry(raw)
		if err != nil {
			return err
		}
		t0 := time.Now()
		e.Add(x)
		out := e.Evaluate(now)
		add = append(add, time.Since(t0))
		buf = out.AppendJSON(buf[:0])
		if time.Since(begun) > budget {
			break
		}
	}
	tell(spread(row{Case: "late", Entries: entries}, add))
	return nil
}

// tardy are up to two hundred entries of the middle of a log, a minute apart.
func (s *site) tardy(log [][]byte, samples int) ([][]byte, error) {
	h := &history{plan: s.plan, loc: s.plan.Site.Location, rand: rand.New(rand.NewPCG(uint64(len(log)), 61))}
	middle, err := moment(log[len(log)/2])
	if err != nil {
		return nil, err
	}
	out := make([][]byte, min(samples, 200))
	for i := range out {
		if out[i], err = h.late(time.UnixMilli(middle).Add(time.Duration(i) * time.Minute)); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func spread(r row, times []time.Duration) row {
	r.Runs, r.P50, r.P99 = len(times), micros(median(times)), micros(quantile(times, 0.99))
	return r
}

func median(times []time.Duration) time.Duration { return quantile(times, 0.5) }

// quantile is the least time that so large a part of them does not exceed.
func quantile(times []time.Duration, part float64) time.Duration {
	sorted := slices.Sorted(slices.Values(times))
	i := int(part*float64(len(sorted))+0.999999) - 1
	return sorted[min(max(i, 0), len(sorted)-1)]
}

func micros(d time.Duration) float64 { return float64(d) / float64(time.Microsecond) }
func millis(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
