package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"gatewright/sync/wire"
)

const (
	singles    = 10 // entries written one by one
	batches    = 3
	batchSize  = 20
	frameQuiet = 400 * time.Millisecond // a socket that carried nothing for so long has nothing left to say
)

func describeFrames(bool) string {
	return fmt.Sprintf("bytes on one writer's socket for each entry, framing included: %d entries one by one, then %d batches of %d; our server with this generator and with the stock JavaScript client",
		singles, batches, batchSize)
}

// framesCase writes through a relay that counts, first with our client, then with the stock one; a witness on a
// socket of its own sees that everything has arrived.
func framesCase(ctx context.Context, b *run, add func(row)) error {
	for _, c := range []struct {
		name   string
		writer func(ctx context.Context, s *frameStage) (frameWriter, error)
	}{
		{"gatewright", ownWriter},
		{"stock client", b.stockWriter},
	} {
		rows, err := b.frames(ctx, c.writer)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			say("frames, %s: %v", c.name, err)
			rows = []row{{Note: "not measured: " + err.Error()}}
		}
		for _, r := range rows {
			r.Server = c.name
			add(r)
		}
	}
	return nil
}

// frameWriter writes entries at once, in what messages its protocol makes of that.
type frameWriter interface {
	write(entries ...entry) error
	close()
}

// frameStage is our server with one site, whose month has begun.
type frameStage struct {
	*ours
	relay *relay
	led   *ledger
}

func (b *run) frames(ctx context.Context, writer func(context.Context, *frameStage) (frameWriter, error)) ([]row, error) {
	folder, done, err := b.fresh("frames")
	if err != nil {
		return nil, err
	}
	defer done()
	s := &frameStage{ours: newOurs(b.binary)}
	s.data = filepath.Join(folder, "data")
	st, err := openStore(ctx, s.data)
	if err != nil {
		return nil, err
	}
	if s.yards, err = st.settle(ctx, 1, 2); err == nil {
		err = st.fillMonths(ctx, s.yards, 1)
	}
	if err := errors.Join(err, st.close(ctx)); err != nil {
		return nil, err
	}
	if err := s.serve(ctx); err != nil {
		return nil, err
	}
	defer s.stop()
	entries, err := newPen(rand.Uint64()).draw(1+singles+batches*batchSize, 1, 1, time.Now(), s.author)
	if err != nil {
		return nil, err
	}
	s.led = newLedger(entries)
	if s.relay, err = newRelay(strings.TrimPrefix(s.p.origin, "http://")); err != nil {
		return nil, err
	}
	defer s.relay.close()
	var g, acks goal
	seen := g.aim(1)
	var t traffic
	witness, err := s.open(ctx, &t, s.led, &tally{goal: &g, acks: &acks}, 0, 1)
	if err != nil {
		return nil, err
	}
	defer witness.close()
	acks.aim(-1)
	w, err := writer(ctx, s)
	if err != nil {
		return nil, s.p.explain(err)
	}
	defer w.close()
	// step writes and gives the bytes up and down once all is quiet again.
	step := func(part []entry) (up, down int64, err error) {
		up, down = s.relay.up.Load(), s.relay.down.Load()
		seen = g.aim(len(part))
		if err := w.write(part...); err != nil {
			return 0, 0, err
		}
		select {
		case <-seen:
		case <-time.After(20 * time.Second):
			_, err := witness.came()
			if p, ok := w.(phone); ok && err == nil {
				_, err = p.came()
			}
			return 0, 0, fmt.Errorf("%d of %d entries reached the server: %v", g.count(), len(part), err)
		case <-ctx.Done():
			return 0, 0, ctx.Err()
		}
		if err := s.relay.quiet(ctx); err != nil {
			return 0, 0, err
		}
		return s.relay.up.Load() - up, s.relay.down.Load() - down, nil
	}
	if _, _, err := step(entries[:1]); err != nil { // the first says more than the next ones
		return nil, err
	}
	one, twenty := row{Entries: singles, Note: "one by one"}, row{Entries: batches * batchSize, Note: fmt.Sprintf("batches of %d", batchSize)}
	left := entries[1:]
	for _, c := range []struct {
		r    *row
		size int
	}{{&one, 1}, {&twenty, batchSize}} {
		var up, down int64
		for range c.r.Entries / c.size {
			u, d, err := step(left[:c.size])
			if err != nil {
				return nil, err
			}
			left, up, down = left[c.size:], up+u, down+d
		}
		c.r.Up, c.r.Down = figure(float64(up)/float64(c.r.Entries)), figure(float64(down)/float64(c.r.Entries))
	}
	size := s.changeBytes(entries)
	one.Change, twenty.Change = size, size
	return []row{one, twenty}, nil
}

// changeBytes is the mean length of the changes that carry the entries, nil when none was seen by this process.
func (s *frameStage) changeBytes(entries []entry) *float64 {
	s.led.mu.RLock()
	defer s.led.mu.RUnlock()
	sum, n := 0, 0
	for _, k := range s.led.byHash {
		if k.n >= 0 {
			sum, n = sum+len(k.node.Bytes), n+1
		}
	}
	if n < len(entries) {
		return nil
	}
	return figure(float64(sum) / float64(n))
}

// ownWriter is this generator's client, which joins as the phone does.
func ownWriter(ctx context.Context, s *frameStage) (frameWriter, error) {
	y := s.yards[0]
	var g, acks goal
	g.aim(-1)
	acks.aim(-1)
	var t traffic
	return openRepo(ctx, &t, s.through(), y.phones[0].peerID(), true, s.led, &tally{goal: &g, acks: &acks}, y.documentID(s.month), true)
}

// through is the writer's address by way of the relay.
func (s *frameStage) through() string {
	direct := strings.TrimPrefix(s.p.origin, "http://")
	return strings.Replace(s.socket(s.yards[0].phones[0]), direct, s.relay.address(), 1)
}

// stockProcess is the JavaScript client.
type stockProcess struct {
	p  *process
	in io.WriteCloser
}

func (b *run) stockWriter(ctx context.Context, s *frameStage) (frameWriter, error) {
	if _, err := b.target(serverNames[1]); err != nil {
		return nil, err
	}
	id, err := wire.ParseDocumentID(s.yards[0].documentID(s.month))
	if err != nil {
		return nil, err
	}
	c := exec.Command("node", filepath.Join(b.peers, "stock.mjs"), s.through(), "automerge:"+wire.DocumentID(id))
	in, err := c.StdinPipe()
	if err != nil {
		return nil, err
	}
	p, err := launchCommand(ctx, c, filepath.Join(filepath.Dir(s.data), "stock.log"))
	if err != nil {
		return nil, err
	}
	return &stockProcess{p, in}, s.relay.quiet(ctx)
}

func (w *stockProcess) write(entries ...entry) error {
	pairs := make([][2]string, len(entries))
	for i, e := range entries {
		pairs[i] = [2]string{e.id, e.raw}
	}
	line, err := json.Marshal(pairs)
	if err != nil {
		return err
	}
	_, err = w.in.Write(append(line, '\n'))
	return err
}

func (w *stockProcess) close() {
	_ = w.in.Close()
	w.p.stop()
}

// relay passes TCP connections on to a server and counts what they carry.
type relay struct {
	traffic
	listener net.Listener
	all      sync.WaitGroup
	mu       sync.Mutex
	open     []net.Conn
}

func newRelay(to string) (*relay, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	r := &relay{listener: l}
	r.all.Add(1)
	go func() {
		defer r.all.Done()
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				_ = in.Close()
				continue
			}
			r.mu.Lock()
			r.open = append(r.open, in, out)
			r.mu.Unlock()
			r.pass(in, out)
		}
	}()
	return r, nil
}

// pass counts on the server's side: what is read there is down, what is written there up.
func (r *relay) pass(in, out net.Conn) {
	far := counted{out, &r.traffic}
	one := func(to io.Writer, from io.Reader) {
		defer r.all.Done()
		_, _ = io.Copy(struct{ io.Writer }{to}, struct{ io.Reader }{from}) // an end of either side is the end
		_, _ = in.Close(), out.Close()
	}
	r.all.Add(2)
	go one(far, in)
	go one(in, far)
}

func (r *relay) address() string { return r.listener.Addr().String() }

// quiet waits until nothing was carried for a while. Pings come every five seconds, longer than that.
func (r *relay) quiet(ctx context.Context) error {
	for {
		before := r.up.Load() + r.down.Load()
		if err := rest(ctx, frameQuiet); err != nil {
			return err
		}
		if r.up.Load()+r.down.Load() == before {
			return nil
		}
	}
}

func (r *relay) close() {
	_ = r.listener.Close()
	r.mu.Lock()
	for _, c := range r.open {
		_ = c.Close()
	}
	r.mu.Unlock()
	r.all.Wait()
}
