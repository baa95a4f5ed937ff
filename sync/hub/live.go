package hub

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"gatewright/sync/admit"
)

// live is a Site with its goroutine, sockets and store.
type live struct {
	r    *Runner
	id   string
	site *Site
	refs int // guarded by Runner.mu

	in    chan Event
	nudge chan struct{}
	gone  chan struct{}
	stats atomic.Pointer[Stats]

	mu      sync.Mutex
	boxes   map[ConnID]*outbox
	answers map[Token]chan error
}

func newLive(r *Runner, id string, site *Site) *live {
	return &live{r: r, id: id, site: site, in: make(chan Event, 64), nudge: make(chan struct{}, 1),
		gone: make(chan struct{}), boxes: map[ConnID]*outbox{}, answers: map[Token]chan error{}}
}

// post hands an event to the site. Who posts holds the site, or does not mind
// that it is gone.
func (l *live) post(ev Event) {
	select {
	case l.in <- ev:
	case <-l.gone:
	}
}

// run is the site's goroutine. It never waits for a socket or the store.
func (l *live) run() {
	defer l.r.running.Done()
	tick := time.NewTicker(l.r.cfg.TickEvery)
	defer tick.Stop()
	for {
		select {
		case ev := <-l.in:
			l.step(ev)
		case <-tick.C:
			l.step(Tick{})
		case <-l.nudge:
		}
		if len(l.in) == 0 && l.over() {
			return
		}
	}
}

// over ends the site when nobody holds it and nothing is under way.
func (l *live) over() bool {
	l.r.mu.Lock()
	defer l.r.mu.Unlock()
	if l.refs > 0 || !l.site.Idle() || len(l.in) > 0 {
		return false
	}
	delete(l.r.sites, l.id)
	close(l.gone)
	return true
}

func (l *live) step(ev Event) {
	for _, e := range l.site.Step(ev, l.r.now()) {
		l.do(e)
	}
	st := l.site.Stats()
	l.stats.Store(&st)
}

func (l *live) do(e Effect) {
	ctx := context.Background() // what is under way is finished, whoever leaves
	store := l.r.store
	switch e := e.(type) {
	case Send:
		if box := l.box(e.Conn); box != nil && !box.put(e.Bytes) {
			go l.post(Closed{Conn: e.Conn})
		}
	case Close:
		if box := l.box(e.Conn); box != nil {
			box.end(e.Code, e.Reason)
		}
	case List:
		go func() { l.post(e.In(ctx, store, l.id)) }()
	case Access:
		go func() { l.post(e.In(ctx, store, l.id, l.r.cfg.RestoreUntil)) }()
	case Load:
		go func() {
			changes, held, err := store.Load(ctx, l.id, e.Doc)
			l.post(Loaded{Doc: e.Doc, Changes: changes, Held: held, Err: err})
		}()
	case Look:
		go func() { l.post(l.look(ctx, e)) }()
	case Append:
		go func() { l.post(Appended{Token: e.Token, Err: store.Append(ctx, e.Batch)}) }()
	case Keep:
		go func() { l.post(Kept{Token: e.Token, Err: e.In(ctx, store, l.id)}) }()
	case Done:
		l.mu.Lock()
		if answer := l.answers[e.Token]; answer != nil {
			delete(l.answers, e.Token)
			answer <- e.Err // holds one
		}
		l.mu.Unlock()
	case Trouble:
		l.r.log.Error("hub", "site", l.id, "document", e.Doc, "error", e.Err)
	}
}

func (l *live) look(ctx context.Context, e Look) Looked {
	ev := Looked{Token: e.Token, Authors: map[string]admit.Author{}}
	if len(e.Actors) > 0 {
		ev.Actors, ev.Err = l.r.store.ActorDevices(ctx, l.id, e.Actors)
	}
	for _, device := range e.Devices {
		if ev.Err != nil {
			break
		}
		var a admit.Author
		var ok bool
		if a, ok, ev.Err = l.r.store.AuthorOf(ctx, l.id, device); ok {
			ev.Authors[device] = a
		}
	}
	return ev
}

func (l *live) expect(t Token) <-chan error {
	answer := make(chan error, 1)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.answers[t] = answer
	return answer
}

func (l *live) forget(t Token) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.answers, t)
}

func (l *live) enter(id ConnID, box *outbox) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.boxes[id] = box
}

func (l *live) leave(id ConnID) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.boxes, id)
}

func (l *live) box(id ConnID) *outbox {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.boxes[id]
}

func (l *live) endAll() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, box := range l.boxes {
		box.end(CloseTryLater, "the server goes away")
	}
}

// maxOutbox bounds what waits to be written to one socket. A peer that reads
// more slowly than others write comes again and catches up in one message.
const maxOutbox = 16 << 20

// outbox is the queue between the site's goroutine, which must not wait, and
// a socket. A goroutine writes while there is something to write, and none
// waits while there is not: most phones are silent most of the time.
type outbox struct {
	conn Conn

	mu      sync.Mutex
	frames  [][]byte
	size    int
	writing bool // a goroutine is at it
	over    bool // nothing more goes in
	ours    bool // the hub ended it
	code    int  // to close with; 0 when the socket is gone
	reason  string
	done    chan struct{} // closed when the connection is
}

func newOutbox(c Conn) *outbox { return &outbox{conn: c, done: make(chan struct{})} }

// put queues a frame; false when the peer is too slow, and the connection is
// then over.
func (b *outbox) put(frame []byte) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.over {
		return true
	}
	if b.size+len(frame) > maxOutbox {
		b.frames = nil
		b.over, b.ours, b.code, b.reason = true, true, CloseTooMany, "the peer reads too slowly"
		b.write()
		// A writer that is stuck in the socket does not come back by itself.
		go func() { _ = b.conn.Close(CloseTooMany, "the peer reads too slowly") }()
		return false
	}
	b.frames = append(b.frames, frame)
	b.size += len(frame)
	b.write()
	return true
}

// end closes the connection after what is queued; code 0 when it is closed
// already.
func (b *outbox) end(code int, reason string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.over {
		return
	}
	b.over, b.ours, b.code, b.reason = true, code != 0, code, reason
	if code == 0 {
		b.frames = nil
	}
	b.write()
}

func (b *outbox) ended() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.ours
}

// write sees to it that somebody writes. The lock is held.
func (b *outbox) write() {
	if !b.writing {
		b.writing = true
		go b.drain()
	}
}

// drain writes until nothing is left, and closes when the connection is over.
func (b *outbox) drain() {
	for {
		b.mu.Lock()
		frames, over, code, reason := b.frames, b.over, b.code, b.reason
		b.frames, b.size = nil, 0
		b.writing = len(frames) > 0 || over
		b.mu.Unlock()
		switch {
		case len(frames) > 0:
			for _, f := range frames {
				if b.conn.WriteFrame(f) != nil {
					b.end(0, "")
					_ = b.conn.Close(CloseTryLater, "")
					break
				}
			}
		case over:
			if code == 0 {
				code = closeNormal // the socket is gone; this frees it
			}
			_ = b.conn.Close(code, reason)
			close(b.done)
			return
		default:
			return
		}
	}
}
