package crash

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/fasthttp/websocket"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

// window is how many entries a phone has under way at once: it records the next one when one is acknowledged.
const window = 3

// handset is a phone of phonesim on a real socket. One goroutine works it at a time.
type handset struct {
	t      *Trial
	site   *site
	dev    *device
	phone  *phonesim.Phone
	random *rand.Rand
	nudge  chan struct{}

	waiting map[logbook.EntryID]bool // saved and not acknowledged
	turned  map[logbook.EntryID]bool // not accepted, which was complained about
	open    atomic.Int64             // how many these are
	said    talk
	kept    atomic.Int64 // how many entries its outbox held when the phone was asked last
	putOff  atomic.Int64 // how often it was told to come again later
	joined  atomic.Bool  // a socket is open and the server has answered on it
}

func (t *Trial) newHandset(s *site, d *device) (*handset, error) {
	h := &handset{t: t, site: s, dev: d, random: rand.New(rand.NewPCG(t.chance.Uint64(), t.chance.Uint64())),
		nudge: make(chan struct{}, 1), waiting: map[logbook.EntryID]bool{}, turned: map[logbook.EntryID]bool{}}
	chance := rand.NewChaCha8([32]byte(fmt.Appendf(nil, "%032x", t.chance.Uint64())))
	var err error
	h.phone, err = phonesim.Open(phonesim.Config{Site: s.id, Device: d.id,
		Clock:  func() int64 { return time.Now().UnixMilli() },
		Random: func(b []byte) { _, _ = chance.Read(b) }}, phonesim.NewDisk())
	return h, err
}

// wake has the phone look whether it should record.
func (h *handset) wake() {
	select {
	case h.nudge <- struct{}{}:
	default:
	}
}

// closed is how a session ended.
type closed struct {
	code   int // of the close frame; 0 when there was none
	reason string
	err    error
}

func (c closed) String() string {
	if c.code != 0 {
		return strings.TrimSpace(fmt.Sprintf("%d %s", c.code, c.reason))
	}
	return fmt.Sprint(c.err)
}

// session connects and works until the socket ends. What the server had sent by then is read to the last byte: it
// was acknowledged. enough, when given, is asked after each frame whether the session has served its purpose.
func (h *handset) session(ctx context.Context, base string, enough func(wire.Message) bool) (end closed, err error) {
	address, err := h.dev.socket(ctx, base)
	if err != nil {
		return closed{}, fmt.Errorf("getting a ticket: %w", err)
	}
	dialer := websocket.Dialer{HandshakeTimeout: 20 * time.Second}
	ws, _, err := dialer.DialContext(ctx, address, nil)
	if err != nil {
		return closed{}, fmt.Errorf("opening a socket: %w", err)
	}
	defer ws.Close()
	defer h.joined.Store(false)
	defer h.phone.Disconnect()
	stop := context.AfterFunc(ctx, func() { _ = ws.Close() })
	defer stop()
	h.said = nil
	if err := h.phone.Connect(time.Now().UnixMilli()); err != nil {
		return closed{}, err
	}
	frames, broke := make(chan []byte, 256), make(chan error, 1)
	var reading sync.WaitGroup
	defer reading.Wait()
	over := make(chan struct{})
	defer close(over)
	reading.Go(func() {
		defer close(frames)
		for {
			_, frame, err := ws.ReadMessage()
			if err != nil {
				broke <- err
				return
			}
			select {
			case frames <- frame:
			case <-over:
				return
			}
		}
	})
	defer ws.Close() // before the wait for the reader
	dead := !h.send(ws)
	for {
		select {
		case frame, ok := <-frames:
			if !ok {
				return endOf(<-broke), nil
			}
			h.t.event()
			h.said.note("<", frame)
			if err := h.phone.Receive(frame); err != nil {
				return closed{}, fmt.Errorf("the phone: %w", err)
			}
			m, err := wire.Decode(frame)
			if err != nil {
				return closed{}, err
			}
			if enough != nil && enough(m) {
				return closed{}, nil
			}
			if _, greeting := m.(wire.Peer); greeting {
				h.joined.Store(true)
				h.t.changed()
			}
		case <-h.nudge:
		}
		h.settle()
		if !h.phone.Connected() { // something was refused: the phone begins the document anew
			return closed{}, nil
		}
		if !dead {
			if err := h.record(); err != nil {
				return closed{}, err
			}
			dead = !h.send(ws)
		}
	}
}

func endOf(err error) closed {
	var c *websocket.CloseError
	if errors.As(err, &c) {
		return closed{code: c.Code, reason: c.Text}
	}
	return closed{err: err}
}

// send writes what the phone wants to say; false when the socket takes no more.
func (h *handset) send(ws *websocket.Conn) bool {
	for _, frame := range h.phone.Outgoing() {
		h.said.note(">", frame)
		h.t.event()
		if ws.SetWriteDeadline(time.Now().Add(20*time.Second)) != nil || ws.WriteMessage(websocket.BinaryMessage, frame) != nil {
			return false
		}
	}
	return true
}

// settle writes down what has left the outbox: that is what the phone holds for acknowledged.
func (h *handset) settle() {
	still := map[logbook.EntryID]bool{}
	for _, p := range h.phone.Outbox() {
		still[p.ID] = true
		if p.State == phonesim.Held && h.t.mayHold {
			continue // until its author and those whose work it builds on have been heard
		}
		if p.Code == admit.CodeTaken && h.t.mayHold {
			continue // until the copy that is fetched now shows that it is in the log in these words
		}
		if p.State != phonesim.Waiting && !h.turned[p.ID] {
			h.turned[p.ID] = true
			h.t.complain("entry %s of device %s is %s: %s %s\n%s", p.ID, h.dev.id, p.State, p.Code, p.Reason, strings.Join(h.said, "\n"))
		}
	}
	for id := range h.waiting {
		if !still[id] {
			h.t.ledger.acknowledged(id)
			delete(h.waiting, id)
		}
	}
	n, kept := int64(len(h.waiting)), int64(len(still))
	openBefore, keptBefore := h.open.Swap(n), h.kept.Swap(kept)
	if openBefore != n || keptBefore != kept {
		h.t.changed()
	}
}

// record saves entries while there is room in the window.
func (h *handset) record() error {
	for h.t.recording.Load() && len(h.waiting) < window {
		if err := h.recordOne(); err != nil {
			return err
		}
	}
	h.open.Store(int64(len(h.waiting)))
	return nil
}

// recordOne saves a note; now and then a long one, so that changes differ in how many pages they need.
func (h *handset) recordOne() error {
	words := fmt.Sprintf("Round %d, leaf checked %d.", h.t.round.Load(), h.random.IntN(1000))
	if h.random.IntN(5) == 0 {
		words += strings.Repeat(" The ram is slow today.", 1+h.random.IntN(60))
	}
	id, err := h.phone.Record(logbook.Entry{Kind: logbook.Note, By: h.dev.person, Text: words})
	if err != nil {
		return err
	}
	raw := ""
	for _, p := range h.phone.Outbox() {
		if p.ID == id {
			raw = p.Raw
		}
	}
	h.t.ledger.saved(h.site.index, id, raw)
	h.waiting[id] = true
	return nil
}

// work keeps the phone connected while the server lives and the context lasts.
func (h *handset) work(ctx context.Context, s *server) {
	for tries := 0; ctx.Err() == nil && s.alive(); tries++ {
		end, err := h.session(ctx, s.base, nil)
		h.t.changed()
		if ctx.Err() != nil || h.t.struck.Load() {
			return
		}
		if h.t.comeAgain(err) || end.code == hub.CloseTryLater {
			h.putOff.Add(1)
			h.t.notePutOff(end, err)
			if err := h.record(); err != nil { // people go on, signal or not
				h.t.complain("device %s: %v", h.dev.id, err)
				return
			}
			h.t.changed()
			if !h.later(ctx, s, tries) {
				return
			}
			continue
		}
		switch {
		case err != nil:
			h.t.complain("device %s: %v", h.dev.id, err)
			return
		case end.code != 0 || end.err != nil:
			h.t.complain("device %s: the socket ended: %s", h.dev.id, end)
			return
		}
	}
}

// comeAgain tells whether an answer means that the phone is to come again later: one that says so, or that a database
// with a server of its own, which is killed here, does not answer.
func (t *Trial) comeAgain(err error) bool {
	refused, ok := errors.AsType[*refusal](err)
	if _, breakable := t.store.(Breakable); ok && breakable && refused.status == http.StatusInternalServerError {
		return true
	}
	return ok && refused.status == http.StatusServiceUnavailable
}

// later waits as a phone does that was told to come again.
func (h *handset) later(ctx context.Context, s *server, tries int) bool {
	wait := time.Duration(50+h.random.IntN(100)) * time.Millisecond << min(tries, 4)
	select {
	case <-time.After(wait):
		return true
	case <-ctx.Done():
	case <-s.gone:
	}
	return false
}
