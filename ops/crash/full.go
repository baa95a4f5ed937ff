package crash

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"
)

// FullPlan is a trial by a full disk.
type FullPlan struct {
	Plan
	Rounds int   // how often the disk fills; 0 = once
	Size   int   // of the disk, bytes; 0 = 64 MiB
	Room   int64 // that is left when the load begins, bytes; 0 = 4 MiB
}

const (
	fullWithin = 60 * time.Second // until the load has filled what room there was
	// putOffEnough is how often each phone must have been told to come again before the disk counts as full.
	putOffEnough = 2
)

// Full runs the trial by a full disk. Each time the load fills the disk; the server must stay up, say why it takes
// nothing more, and go on answering what it is asked; it is killed and started again on the full disk; and when
// there is room, everything that waited goes through. The store is made by place on the small disk's folder.
func Full(ctx context.Context, bin string, place func(folder string) (Store, error), p FullPlan) (res Result, err error) {
	begun := time.Now()
	if p.Rounds == 0 {
		p.Rounds = 1
	}
	if p.Size == 0 {
		p.Size = 64 << 20
	}
	if p.Room == 0 {
		p.Room = 4 << 20
	}
	res = Result{Trial: "full", Seed: p.Seed, Facts: map[string]any{}}
	d, err := newDisk(p.Size)
	if err != nil {
		return res, err
	}
	defer func() { err = errors.Join(err, d.unmount()) }()
	store, err := place(d.folder)
	if err != nil {
		return res, err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	res.Store = store.Name()
	t := New(bin, store, p.Plan)
	defer t.End()
	err = t.Begin(ctx)
	for n := 0; err == nil && n < p.Rounds; n++ {
		err = t.fullOnce(ctx, d, p, &res)
	}
	if err == nil {
		err = t.lastLook(ctx, &res)
	}
	return t.finish(res, begun, err)
}

func (t *Trial) fullOnce(ctx context.Context, d *disk, p FullPlan, res *Result) error {
	t.round.Add(1)
	if err := d.fill(p.Room); err != nil {
		return fmt.Errorf("filling the disk: %w", err)
	}
	if err := t.readAll(ctx); err != nil { // also fetches the tokens that are used when there is no room for new ones
		return err
	}
	t.connect(ctx)
	t.record(true)
	if err := t.until(ctx, "the disk being full", fullWithin, t.blocked); err != nil {
		return err
	}
	if err := d.fill(0); err != nil {
		return fmt.Errorf("filling the disk to the end: %w", err)
	}
	if err := t.whileFull(ctx, res); err != nil {
		return fmt.Errorf("on the full disk: %w", err)
	}

	// The same again after a kill, or in every second round after a stop in good order. The phones are gone meanwhile.
	t.struck.Store(true)
	if t.round.Load()%2 == 1 {
		t.server.kill()
		res.Kills++
	} else if err := t.server.stop(); err != nil {
		return fmt.Errorf("on the full disk: %w", err)
	}
	t.disconnect()
	res.Unanswered += int(t.waitingNow())
	if err := t.onFullDisk(ctx, d, res); err != nil {
		return fmt.Errorf("on the full disk after a kill: %w", err)
	}

	// Room again: everything goes through, and the server needs no help.
	t.connect(ctx)
	if err := t.until(ctx, "what waited for room going through", drainWithin, t.drained); err != nil {
		return err
	}
	t.disconnect()
	t.forgive()
	return t.look(ctx, res, true)
}

// onFullDisk starts the server on a full disk. It may say in one sentence that it cannot; then it gets room first.
func (t *Trial) onFullDisk(ctx context.Context, d *disk, res *Result) error {
	if b, ok := t.store.(Breakable); ok {
		return t.onFullDatabase(ctx, b, d, res)
	}
	s, err := t.start(nil)
	switch {
	case err == nil:
		t.server = s
		count(res.Facts, "started_on_full_disk")
		if err := t.whileFull(ctx, res); err != nil {
			return err
		}
		// What the phones still had goes through while they are connected, without another start.
		return d.relieve()
	case errors.Is(err, errEnded):
		said := strings.TrimSpace(s.said.String())
		if strings.Count(said, "\n") > 0 || !strings.Contains(said, "disk is full") {
			return fmt.Errorf("it did not start, and did not say in one sentence why: %s", said)
		}
		count(res.Facts, "refused_to_start_on_full_disk")
		res.Facts["said"] = said
		if err := d.relieve(); err != nil {
			return err
		}
		t.server, err = t.start(nil)
		return err
	}
	return err
}

// onFullDatabase kills a database whose disk is full, if it has not ended by itself, and starts all with room again.
// The server itself is started before that, and has to say that it finds no database.
func (t *Trial) onFullDatabase(ctx context.Context, b Breakable, d *disk, res *Result) (err error) {
	if err := b.Break(); err != nil {
		return err
	}
	res.StoreKills++
	s, err := t.start(nil)
	said := strings.TrimSpace(s.said.String())
	switch {
	case err == nil:
		s.kill()
		return errors.New("the server is ready without a database")
	case !errors.Is(err, errEnded) || said == "" || strings.Contains(said, "panic"):
		return fmt.Errorf("without a database it did not say why it does not start: %w", err)
	}
	res.Facts["said_without_database"] = said
	if err := d.relieve(); err != nil {
		return err
	}
	if err := b.Mend(ctx); err != nil {
		return fmt.Errorf("with room again: %w", err)
	}
	t.server, err = t.start(nil)
	return err
}

func count(facts map[string]any, what string) {
	n, _ := facts[what].(int)
	facts[what] = n + 1
}

// whileFull checks what must hold on a full disk: the server is up, says why it stores nothing, reads go on, and
// nothing that was acknowledged is missing.
func (t *Trial) whileFull(ctx context.Context, res *Result) error {
	if !t.server.alive() {
		return fmt.Errorf("the server ended: %v: %s", t.server.err, t.server.said)
	}
	paths := []string{"/healthz", "/readyz"}
	if _, ok := t.store.(Breakable); ok {
		paths = paths[:1] // PostgreSQL ends when its own log finds no room, and is not there to be read
	}
	for _, path := range paths {
		answer, err := client.Get(t.server.base + path)
		if err != nil {
			return err
		}
		_ = answer.Body.Close()
		if answer.StatusCode != http.StatusOK {
			return fmt.Errorf("%s answers %s", path, answer.Status)
		}
	}
	if err := t.readAll(ctx); t.comeAgain(err) {
		count(res.Facts, "reads_refused_on_full_disk")
		return nil
	} else if err != nil {
		return err
	}
	count(res.Facts, "reads_answered_on_full_disk")
	// Something small may still find a place in a file that is there already; else the reason is said.
	for _, s := range t.sites {
		err := ask(ctx, t.server.base, "POST", "/api/v1/sites/"+s.id+"/invitations", s.manager.token, object{"role": "crew"}, nil)
		refused := (*refusal)(nil)
		switch {
		case err == nil:
			count(res.Facts, "written_on_full_disk")
		case errors.As(err, &refused) && refused.status == http.StatusServiceUnavailable && strings.Contains(refused.detail, "disk is full"):
			count(res.Facts, "refused_on_full_disk")
		case t.comeAgain(err):
			count(res.Facts, "refused_on_full_disk")
		default:
			return fmt.Errorf("an invitation, which needs room, was answered with %w; want 503 that says that the disk is full", err)
		}
	}
	return t.look(ctx, res, false)
}

// readAll asks each site, as its manager, for what can be read.
func (t *Trial) readAll(ctx context.Context) error {
	for _, s := range t.sites {
		token, err := s.manager.access(ctx, t.server.base)
		if err != nil {
			return err
		}
		for _, path := range []string{"/documents", "/people", "/rules", "/devices"} {
			if err := ask(ctx, t.server.base, "GET", "/api/v1/sites/"+s.id+path, token, nil, nil); err != nil {
				return fmt.Errorf("reading: %w", err)
			}
		}
	}
	return nil
}

// blocked reports that every phone has something under way and was told often enough to come again.
func (t *Trial) blocked() bool {
	for _, s := range t.sites {
		for _, h := range s.phones {
			if h.open.Load() == 0 || h.putOff.Load() < putOffEnough {
				return false
			}
		}
	}
	return true
}

// someonePutOff reports that a phone was told to come again.
func (t *Trial) someonePutOff() bool {
	for _, s := range t.sites {
		for _, h := range s.phones {
			if h.putOff.Load() > 0 {
				return true
			}
		}
	}
	return false
}

// forgive begins to count anew how often phones were told to come again.
func (t *Trial) forgive() {
	for _, s := range t.sites {
		for _, h := range s.phones {
			h.putOff.Store(0)
		}
	}
}
