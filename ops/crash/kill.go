package crash

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// KillPlan is a trial by kills.
type KillPlan struct {
	Plan
	Kills int
	// Every so many kills the whole database is looked through and a new phone at every site fetches everything;
	// that is done at the end in any case. 0 = at the end only.
	Every int
}

// Result is what a trial found, as one line of JSON.
type Result struct {
	Trial        string         `json:"trial"`
	Store        string         `json:"store"`
	Seed         uint64         `json:"seed"`
	Kills        int            `json:"kills"`
	StoreKills   int            `json:"store_kills,omitempty"` // of the database's own server
	EarlyKills   int            `json:"kills_while_starting,omitempty"`
	Entries      int            `json:"entries"`      // saved on phones
	Acknowledged int            `json:"acknowledged"` // of those
	Unanswered   int            `json:"under_way_at_kills"`
	Lost         int            `json:"lost"`
	Altered      int            `json:"altered"`
	Strange      int            `json:"strange"` // doubles, refusals, entries that nobody recorded
	Looks        int            `json:"full_looks"`
	Cases        int            `json:"cases,omitempty"`
	PutOff       map[string]int `json:"put_off,omitempty"` // how phones were told to come again
	Facts        map[string]any `json:"facts,omitempty"`
	Seconds      float64        `json:"seconds"`
	Problem      string         `json:"problem,omitempty"`
}

// drainWithin bounds how long what was under way at a kill may take to go through afterwards.
const drainWithin = 120 * time.Second

// Kill runs the trial by kills. The error says what is not as it must be.
func Kill(ctx context.Context, bin string, store Store, p KillPlan) (Result, error) {
	begun := time.Now()
	t := New(bin, store, p.Plan)
	defer t.End()
	res := Result{Trial: "kill", Store: store.Name(), Seed: p.Seed}
	err := t.Begin(ctx)
	for err == nil && res.Kills < p.Kills {
		err = t.killOnce(ctx, p, &res)
	}
	if err == nil && p.Kills > 0 {
		err = t.lastLook(ctx, &res)
	}
	return t.finish(res, begun, err)
}

// finish fills in what every trial counts.
func (t *Trial) finish(res Result, begun time.Time, err error) (Result, error) {
	t.End()
	res.Entries, res.Acknowledged = t.ledger.counts()
	res.Seconds = float64(time.Since(begun).Milliseconds()) / 1000
	if len(t.put) > 0 {
		res.PutOff = t.put
	}
	err = errors.Join(err, t.verdict())
	if err == nil && (res.Lost > 0 || res.Altered > 0 || res.Strange > 0) {
		err = errors.New("entries were lost, altered or strange")
	}
	if err != nil {
		res.Problem = err.Error()
	}
	return res, err
}

// killOnce is one round: phones come back and hand over what was under way, record, and the server is killed.
func (t *Trial) killOnce(ctx context.Context, p KillPlan, res *Result) error {
	t.round.Add(1)
	// One kill in five comes while the phones are still coming back, the others while they record.
	storm := t.chance.IntN(5) == 0
	if storm {
		t.fuse.Store(int64(1 + t.chance.IntN(8*p.Sites*p.Phones)))
	}
	t.connect(ctx)
	if storm {
		t.record(true)
	} else {
		if err := t.until(ctx, "what was under way at the last kill going through", drainWithin, t.drained); err != nil {
			return err
		}
		t.record(true)
		// And every fourth time, two rounds later, it dies alone first.
		if b, ok := t.store.(Breakable); ok && res.Kills%4 == 1 {
			if err := t.breakBeneath(ctx, b, res); err != nil {
				return err
			}
			t.record(true)
		}
		t.fuse.Store(int64(1 + t.chance.IntN(150*p.Sites*p.Phones)))
	}
	select {
	case <-t.server.gone:
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(drainWithin):
		return errors.Join(errors.New("the load did not bring about the kill"), t.verdict())
	}
	t.working.Wait() // they read to the end of their sockets
	t.disconnect()
	res.Kills++
	res.Unanswered += int(t.waitingNow())
	if err := t.verdict(); err != nil {
		return err
	}
	// Every fourth time the database dies with the server.
	if b, ok := t.store.(Breakable); ok && res.Kills%4 == 0 {
		if err := t.breakStore(ctx, b, res); err != nil {
			return err
		}
	}
	if err := t.restart(res); err != nil {
		return err
	}
	if err := t.look(ctx, res, p.Every > 0 && res.Kills%p.Every == 0); err != nil {
		return err
	}
	if res.Kills%10 == 0 {
		saved, acked := t.ledger.counts()
		t.say("%d kills, %d entries saved, %d acknowledged, %d under way at kills", res.Kills, saved, acked, res.Unanswered)
	}
	return nil
}

func (t *Trial) breakStore(ctx context.Context, b Breakable, res *Result) error {
	if err := b.Break(); err != nil {
		return fmt.Errorf("killing the database: %w", err)
	}
	res.StoreKills++
	if err := b.Mend(ctx); err != nil {
		return fmt.Errorf("starting the database again: %w", err)
	}
	return nil
}

// breakBeneath kills the database alone, under load, and starts it again: the server stays up, tells phones to come
// again, and goes on by itself.
func (t *Trial) breakBeneath(ctx context.Context, b Breakable, res *Result) error {
	t.forgive()
	_, before := t.ledger.counts()
	enough := before + 1 + t.chance.IntN(40*len(t.sites))
	if err := t.until(ctx, "some entries being acknowledged", drainWithin, func() bool { _, n := t.ledger.counts(); return n >= enough }); err != nil {
		return err
	}
	if err := b.Break(); err != nil {
		return fmt.Errorf("killing the database: %w", err)
	}
	res.StoreKills++
	if err := t.until(ctx, "a phone being told to come again", drainWithin, t.someonePutOff); err != nil {
		return err
	}
	if err := b.Mend(ctx); err != nil {
		return fmt.Errorf("starting the database again: %w", err)
	}
	t.record(false)
	if err := t.until(ctx, "what was under way when the database died going through", drainWithin, t.drained); err != nil {
		return err
	}
	f, err := t.lookUp(ctx, t.ledger.newlyAcknowledged())
	res.Lost += f.Lost
	res.Altered += f.Altered
	return errors.Join(append(f.named, err)...)
}

// restart starts the server again; one time in six it is killed once more while it starts.
func (t *Trial) restart(res *Result) (err error) {
	if t.chance.IntN(6) == 0 {
		after := time.Duration(t.chance.IntN(60_000)) * time.Microsecond
		s, err := t.start(func(s *server) { time.AfterFunc(after, s.strike) })
		s.kill()
		if err != nil && !errors.Is(err, errEnded) {
			return err
		}
		res.EarlyKills++
	}
	t.server, err = t.start(nil)
	return err
}

// look holds the database against the witness, before any phone can mend it.
func (t *Trial) look(ctx context.Context, res *Result, full bool) error {
	f, err := t.lookUp(ctx, t.ledger.newlyAcknowledged())
	if err == nil && full {
		res.Looks++
		var more finding
		if more, err = t.lookThrough(ctx); err == nil {
			f.Losses.add(more.Losses)
			f.named = append(f.named, more.named...)
			more, err = t.freshReaders(ctx)
			f.Losses.add(more.Losses)
			f.named = append(f.named, more.named...)
		}
	}
	res.Lost += f.Lost
	res.Altered += f.Altered
	res.Strange += f.Strange
	return errors.Join(append(f.named, err)...)
}

// lastLook lets everything that waits go through, and looks at everything.
func (t *Trial) lastLook(ctx context.Context, res *Result) error {
	if err := t.look(ctx, res, true); err != nil {
		return err
	}
	t.fuse.Store(0)
	t.connect(ctx)
	if err := t.until(ctx, "everything going through at the end", drainWithin, t.drained); err != nil {
		return err
	}
	t.disconnect()
	if err := t.look(ctx, res, true); err != nil {
		return err
	}
	if saved, acked := t.ledger.counts(); saved != acked {
		return fmt.Errorf("of %d entries saved %d were acknowledged in the end", saved, acked)
	}
	t.struck.Store(true)
	if err := t.server.stop(); err != nil {
		return err
	}
	f, err := t.lookThrough(ctx)
	res.Lost += f.Lost
	res.Altered += f.Altered
	res.Strange += f.Strange
	return errors.Join(append(f.named, err)...)
}
