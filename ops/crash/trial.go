package crash

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// Plan is what a trial is made of. The zero value of a field means the usual.
type Plan struct {
	Sites, Phones int    // phones at each site
	Seed          uint64 // of kill moments and what is recorded
	Log           io.Writer
}

// Trial is a server with phones, which is going to be treated badly.
type Trial struct {
	bin   string
	store Store
	plan  Plan

	chance  *rand.Rand
	secrets io.Reader
	server  *server
	sites   []*site
	people  int
	ledger  *Ledger

	mayHold   bool // phones bring back one another's work: that is held for a while
	recording atomic.Bool
	struck    atomic.Bool  // the server was killed on purpose
	fuse      atomic.Int64 // events until it is; 0 = never
	round     atomic.Int64

	mu       sync.Mutex
	news     chan struct{} // closed and renewed when something changed
	problems []string
	put      map[string]int // how phones were told to come again later

	working sync.WaitGroup
	leave   context.CancelFunc
}

// New prepares a trial of a built program on a store; Begin starts it.
func New(bin string, store Store, p Plan) *Trial {
	if p.Sites == 0 {
		p.Sites = 4
	}
	if p.Phones == 0 {
		p.Phones = 3
	}
	if p.Log == nil {
		p.Log = io.Discard
	}
	chance := rand.New(rand.NewPCG(p.Seed, 0x6761746577726967))
	return &Trial{bin: bin, store: store, plan: p, chance: chance, ledger: newLedger(), news: make(chan struct{}),
		secrets: rand.NewChaCha8([32]byte(fmt.Appendf(nil, "%032x", p.Seed))), put: map[string]int{}}
}

// Begin starts the server on the empty store, makes the sites and enrols the phones.
func (t *Trial) Begin(ctx context.Context) (err error) {
	if t.server, err = t.start(nil); err != nil {
		return err
	}
	for i := range t.plan.Sites {
		if err := t.settle(ctx, i, t.plan.Phones); err != nil {
			return fmt.Errorf("preparing site %d: %w", i, err)
		}
	}
	return nil
}

// End stops what still runs.
func (t *Trial) End() {
	t.disconnect()
	if t.server != nil && t.server.alive() {
		t.struck.Store(true)
		t.server.kill()
	}
}

func (t *Trial) say(format string, args ...any) { fmt.Fprintf(t.plan.Log, format+"\n", args...) }

// maxProblems bounds what is kept: the first ones tell.
const maxProblems = 50

// complain notes that something is not as it must be.
func (t *Trial) complain(format string, args ...any) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.problems) < maxProblems {
		t.problems = append(t.problems, fmt.Sprintf("round %d: ", t.round.Load())+fmt.Sprintf(format, args...))
	}
}

// notePutOff counts in which words phones were told to come again.
func (t *Trial) notePutOff(end closed, err error) {
	what := end.String()
	if refused, ok := errors.AsType[*refusal](err); ok {
		what = fmt.Sprint(refused.status, " ", refused.detail)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.put[what]++
}

func (t *Trial) changed() {
	t.mu.Lock()
	defer t.mu.Unlock()
	close(t.news)
	t.news = make(chan struct{})
}

// until waits for a state that the phones bring about.
func (t *Trial) until(ctx context.Context, what string, within time.Duration, reached func() bool) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	for {
		t.mu.Lock()
		news, problems := t.news, len(t.problems)
		t.mu.Unlock()
		if reached() {
			return nil
		}
		if problems > 0 {
			return t.verdict()
		}
		select {
		case <-news:
		case <-t.server.gone:
			return fmt.Errorf("while waiting for %s the server ended: %v: %s", what, t.server.err, t.server.said)
		case <-ctx.Done():
			return fmt.Errorf("%s: not within %v: %s\n%s", what, within, t.where(), t.server.said)
		}
	}
}

// event is one frame sent or received anywhere; the one that the fuse was set to kills the server.
func (t *Trial) event() {
	if t.fuse.Load() > 0 && t.fuse.Add(-1) == 0 {
		t.struck.Store(true)
		t.server.strike()
	}
}

// connect has all phones work with the server that runs.
func (t *Trial) connect(ctx context.Context) {
	ctx, t.leave = context.WithCancel(ctx)
	t.struck.Store(false)
	for _, s := range t.sites {
		for _, h := range s.phones {
			t.working.Go(func() { h.work(ctx, t.server) })
		}
	}
}

// disconnect ends the phones' connections, when they have not ended.
func (t *Trial) disconnect() {
	t.recording.Store(false)
	if t.leave != nil {
		t.leave()
		t.working.Wait()
		t.leave = nil
	}
}

// record lets the phones record, or ends it.
func (t *Trial) record(on bool) {
	t.recording.Store(on)
	for _, s := range t.sites {
		for _, h := range s.phones {
			h.wake()
		}
	}
}

// waitingNow counts what phones have saved and the server has not acknowledged.
func (t *Trial) waitingNow() (n int64) {
	for _, s := range t.sites {
		for _, h := range s.phones {
			n += h.open.Load()
		}
	}
	return n
}

// where says which phones are not done, and what was said on their sockets. For the report of a trial that failed:
// the phones may still be at work.
func (t *Trial) where() string {
	var out []string
	for _, s := range t.sites {
		for _, h := range s.phones {
			if !h.joined.Load() || h.open.Load() > 0 || h.kept.Load() > 0 {
				out = append(out, fmt.Sprintf("site %d, device %s: connected %v, %d entries under way, %d in the outbox", s.index, h.dev.id, h.joined.Load(), h.open.Load(), h.kept.Load()))
				out = append(out, h.said...)
			}
		}
	}
	return strings.Join(out, "\n")
}

// drained reports that every phone is connected and none has anything under way.
func (t *Trial) drained() bool {
	for _, s := range t.sites {
		for _, h := range s.phones {
			if !h.joined.Load() || h.open.Load() > 0 || h.kept.Load() > 0 {
				return false
			}
		}
	}
	return true
}

// verdict gives what is not as it must be.
func (t *Trial) verdict() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	var errs []error
	for _, p := range t.problems {
		errs = append(errs, errors.New(p))
	}
	return errors.Join(errs...)
}
