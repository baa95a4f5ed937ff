package hub

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
)

// ErrClosed is what Serve and the writes give when the hub itself ended the
// connection, or is going away.
var ErrClosed = errors.New("closed by the hub")

// Conn is a socket, as whole binary frames. ReadFrame is called by one
// goroutine, WriteFrame by one other; Close may come from any, makes both
// return, and may come twice. Pings and their deadline are the socket's own.
type Conn interface {
	ReadFrame() ([]byte, error)
	WriteFrame([]byte) error
	Close(code int, reason string) error
}

// Config of a Runner.
type Config struct {
	StorageID string           // stays for the life of the database
	Now       func() time.Time // nil = time.Now
	// PeerID and Actor are drawn at random when they are empty.
	PeerID string
	Actor  change.Actor
	// RestoreUntil gives the end of a site's restore window (ms), 0 for none;
	// it is asked when a site comes into memory, and with Reconcile from time to
	// time. nil = none.
	RestoreUntil func(ctx context.Context, site string) (int64, error)
	// TickEvery is how often time passes for a site; 0 = a second.
	TickEvery time.Duration
	// Reconcile is how often a site's heads are compared with the store's, when
	// other nodes share it; 0 = never. Twice a minute it is also asked for devices
	// that were revoked at another node, and for restore windows opened there.
	Reconcile time.Duration
}

// Runner is the edge of the hub: it runs a Site for every site that somebody
// is connected to or writes to, and drops it afterwards.
type Runner struct {
	store Store
	cfg   Config
	log   *slog.Logger

	lastConn  atomic.Uint64
	lastToken atomic.Uint64

	mu      sync.Mutex
	sites   map[string]*live
	closing bool
	running sync.WaitGroup // sites
}

// NewRunner makes a Runner. The store must outlive it.
func NewRunner(store Store, cfg Config, log *slog.Logger) *Runner {
	var random [24]byte
	_, _ = rand.Read(random[:]) // never fails
	if cfg.Actor == "" {
		cfg.Actor = change.Actor(random[:16])
	}
	if cfg.PeerID == "" {
		cfg.PeerID = "gatewright-" + hex.EncodeToString(random[16:])
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.TickEvery == 0 {
		cfg.TickEvery = time.Second
	}
	return &Runner{store: store, cfg: cfg, log: log, sites: map[string]*live{}}
}

func (r *Runner) now() int64 { return r.cfg.Now().UnixMilli() }

// acquire gives the site, brought into memory if it is not there, and holds it
// until release.
func (r *Runner) acquire(ctx context.Context, id string) (*live, error) {
	r.mu.Lock()
	if l := r.sites[id]; l != nil && !r.closing {
		l.refs++
		r.mu.Unlock()
		return l, nil
	}
	closing := r.closing
	r.mu.Unlock()
	if closing {
		return nil, ErrClosed
	}
	var until int64
	if r.cfg.RestoreUntil != nil {
		var err error
		if until, err = r.cfg.RestoreUntil(ctx, id); err != nil {
			return nil, fmt.Errorf("opening the hub of a site: %w", err)
		}
	}
	site, err := NewSite(SiteConfig{Site: id, PeerID: r.cfg.PeerID, StorageID: r.cfg.StorageID,
		Actor: r.cfg.Actor, RestoreUntil: until, Reconcile: r.cfg.Reconcile.Milliseconds()})
	if err != nil {
		return nil, fmt.Errorf("opening the hub of a site: %w", err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closing {
		return nil, ErrClosed
	}
	l := r.sites[id]
	if l == nil { // nobody was quicker
		l = newLive(r, id, site)
		r.sites[id] = l
		r.running.Add(1)
		go l.run()
	}
	l.refs++
	return l, nil
}

func (r *Runner) release(l *live) {
	r.mu.Lock()
	l.refs--
	r.mu.Unlock()
	select {
	case l.nudge <- struct{}{}:
	default:
	}
}

func (r *Runner) isClosing() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.closing
}

// lookup gives a site that is in memory.
func (r *Runner) lookup(id string) *live {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.sites[id]
}

// Serve speaks with one peer until the connection ends. It gives ErrClosed
// when the hub ended it, and else the error of the connection.
//
// Most of a connection's life is spent in here, waiting for a frame, so the
// frame of this function is kept small: the stack of a silent phone is a good
// part of what it costs.
func (r *Runner) Serve(ctx context.Context, id Identity, c Conn) error {
	s, err := r.begin(ctx, id, c)
	if err != nil {
		return err
	}
	defer s.end()
	for {
		frame, err := c.ReadFrame()
		if err != nil {
			return s.ended(err)
		}
		s.live.post(Frame{Conn: s.conn, Bytes: frame})
	}
}

// serving is one connection that is being served.
type serving struct {
	live *live
	conn ConnID
	box  *outbox
	stop func() bool // nil when the context cannot end
}

//go:noinline
func (r *Runner) begin(ctx context.Context, id Identity, c Conn) (*serving, error) {
	l, err := r.acquire(ctx, id.Site)
	if err != nil {
		_ = c.Close(CloseTryLater, "the server is not ready")
		return nil, err
	}
	s := &serving{live: l, conn: ConnID(r.lastConn.Add(1)), box: newOutbox(c)}
	l.enter(s.conn, s.box)
	if r.isClosing() { // Close may have gone through the connections already
		s.box.end(CloseTryLater, "the server goes away")
	}
	if ctx.Done() != nil {
		s.stop = context.AfterFunc(ctx, func() { s.box.end(CloseTryLater, "the server goes away") })
	}
	l.post(Opened{Conn: s.conn, Identity: id})
	return s, nil
}

//go:noinline
func (s *serving) ended(err error) error {
	ours := s.box.ended()
	s.box.end(0, "")
	s.live.post(Closed{Conn: s.conn})
	<-s.box.done
	if ours {
		return ErrClosed
	}
	return err
}

//go:noinline
func (s *serving) end() {
	if s.stop != nil {
		s.stop()
	}
	s.live.leave(s.conn)
	s.live.r.release(s.live)
}

// WriteEntries writes entries of the server into their months' documents, one
// month after the other. Entries that are in the log already are passed over.
// When it returns nil they are durable.
func (r *Runner) WriteEntries(ctx context.Context, site string, entries [][]byte) error {
	by := map[string][][]byte{}
	var order []string
	for _, raw := range entries {
		e, err := logbook.ParseEntry(raw)
		if err != nil {
			return fmt.Errorf("writing an entry: %w", err)
		}
		doc := e.ID.Document()
		if by[doc] == nil {
			order = append(order, doc)
		}
		by[doc] = append(by[doc], raw)
	}
	slices.Sort(order)
	for _, doc := range order {
		token := Token(r.lastToken.Add(1))
		if err := r.write(ctx, site, token, Write{Token: token, Doc: doc, Entries: by[doc]}); err != nil {
			return err
		}
	}
	return nil
}

// WritePlan makes items of the plan that are missing and sets the fields that
// differ, all in one change. When it returns nil they are durable.
func (r *Runner) WritePlan(ctx context.Context, site string, items []PlanItem) error {
	token := Token(r.lastToken.Add(1))
	return r.write(ctx, site, token, WritePlan{Token: token, Items: items})
}

func (r *Runner) write(ctx context.Context, site string, token Token, ev Event) error {
	l, err := r.acquire(ctx, site)
	if err != nil {
		return err
	}
	defer r.release(l)
	answer := l.expect(token)
	l.post(ev)
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		l.forget(token)
		return ctx.Err() // it may still be written
	}
}

// DropDevice ends the connections of a device.
func (r *Runner) DropDevice(site, device string) { r.tell(site, Drop{Device: device}) }

// DropPerson ends the connections of all devices that a person is enrolled on.
func (r *Runner) DropPerson(site, person string) { r.tell(site, Drop{Person: person}) }

// OpenRestore opens a site's restore window until an instant (ms), or closes
// it with one that has passed. A site that is not in memory is asked about by
// Config.RestoreUntil when it comes.
func (r *Runner) OpenRestore(site string, until int64) { r.tell(site, Restore{Until: until}) }

// Hint says that another node wrote to a document.
func (r *Runner) Hint(site, doc string, heads []change.Hash) {
	r.tell(site, Hint{Doc: doc, Heads: heads})
}

func (r *Runner) tell(site string, ev Event) {
	if l := r.lookup(site); l != nil {
		l.post(ev)
	}
}

// Stats adds up the sites that are in memory.
func (r *Runner) Stats() Stats {
	r.mu.Lock()
	sites := make([]*live, 0, len(r.sites))
	for _, l := range r.sites {
		sites = append(sites, l)
	}
	r.mu.Unlock()
	var sum Stats
	for _, l := range sites {
		if st := l.stats.Load(); st != nil {
			sum.add(*st)
		}
	}
	return sum
}

func (s *Stats) add(o Stats) {
	s.Sites += o.Sites
	s.Conns += o.Conns
	s.Documents += o.Documents
	s.Frames += o.Frames
	s.Sent += o.Sent
	s.Admitted += o.Admitted
	s.Held += o.Held
	s.Refused += o.Refused
	s.Commits += o.Commits
	s.Failures += o.Failures
	s.Retry += o.Retry
}

// Close ends all connections and waits until what is under way is stored, or
// the context ends.
func (r *Runner) Close(ctx context.Context) error {
	r.mu.Lock()
	r.closing = true
	for _, l := range r.sites {
		l.endAll()
	}
	r.mu.Unlock()
	done := make(chan struct{})
	go func() { r.running.Wait(); close(done) }()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("closing the hub: %w", ctx.Err())
	}
}
