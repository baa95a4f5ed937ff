package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"path/filepath"
	"slices"
	"time"

	"gatewright/schema/logbook"
)

// idlers is how many phones are idle, over how many sites, and how many entries each site's month has.
type idlers struct{ phones, sites, month int }

// silence is how long the phones have said nothing before they are counted as idle.
const silence = 25 * time.Second

func idleOf(quick bool) idlers {
	if quick {
		return idlers{2000, 200, 5}
	}
	return idlers{10_000, 1000, 5}
}

// ofPeers is fewer: the others take their time to connect. Each of their phones has one document open, not two.
// What a Node server needs once for all counts in, which with few phones would be most of it.
func (n idlers) ofPeers() idlers {
	phones := min(n.phones, 5000)
	return idlers{phones, phones / (n.phones / n.sites), n.month}
}

func describeIdle(quick bool) string {
	n := idleOf(quick)
	return fmt.Sprintf("memory of an idle phone with plan and month open: %d phones over %d sites; resident set after a collection, less that before the first; "+
		"at once: with the documents in memory; else after %v of silence, in which our server lets go of documents and the others, by their sources, do not", n.phones, n.sites, silence)
}

func idleCase(ctx context.Context, b *run, add func(row)) error {
	n := idleOf(b.quick)
	if slices.Contains(b.servers, serverNames[0]) {
		r, err := b.idleOurs(ctx, n)
		if err != nil {
			return err
		}
		add(r)
	}
	err := b.each(func(r row) {
		if r.Server != serverNames[0] {
			add(r)
		}
	}, func(t target) (row, error) {
		s, ok := t.(*npmServer)
		if !ok {
			return row{Server: serverNames[0]}, nil // done above
		}
		return b.idlePeer(ctx, s, n.ofPeers())
	})
	if err != nil {
		return err
	}
	r, err := b.idleBare(ctx, n)
	if err != nil {
		r.Note = "not measured: " + err.Error()
	}
	add(r)
	return ctx.Err()
}

// pprofVariable opens a server's profiles on a loopback address.
const pprofVariable = "GATEWRIGHT_PPROF"

// freePort gives a loopback address that was free a moment ago.
func freePort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

// collected asks a Go server to collect and to give memory back, and reads its resident set.
func (p *process) collected(ctx context.Context, free string) (int64, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, free, nil)
	if err != nil {
		return 0, err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, err
	}
	_, _ = io.Copy(io.Discard, res.Body)
	if err := res.Body.Close(); err != nil {
		return 0, err
	}
	if res.StatusCode != http.StatusOK {
		return 0, fmt.Errorf("asking for a collection: %s", res.Status)
	}
	now, _, err := p.memory()
	return now, err
}

func (b *run) idleOurs(ctx context.Context, n idlers) (row, error) {
	r := row{Server: serverNames[0], Phones: n.phones, Note: "plan and month open on each phone"}
	folder, done, err := b.fresh("idle")
	if err != nil {
		return r, err
	}
	defer done()
	o := newOurs(b.binary)
	o.data = filepath.Join(folder, "data")
	say("idle: making %d sites with %d phones", n.sites, n.phones)
	st, err := openStore(ctx, o.data)
	if err != nil {
		return r, err
	}
	if o.yards, err = st.settle(ctx, n.sites, n.phones/n.sites); err == nil {
		err = st.fillMonths(ctx, o.yards, n.month)
	}
	if err := errors.Join(err, st.close(ctx)); err != nil {
		return r, err
	}
	if o.pprof, err = freePort(); err != nil {
		return r, err
	}
	if err := o.serve(ctx); err != nil {
		return r, err
	}
	defer o.stop()
	free := "http://" + o.pprof + "/debug/free"
	before, err := o.p.collected(ctx, free)
	if err != nil {
		return r, err
	}
	say("idle: connecting")
	f := &fleet{led: newLedger(nil)}
	clients := make([]*repoClient, n.phones)
	defer func() {
		for _, c := range clients {
			if c != nil {
				c.close()
			}
		}
	}()
	begun := time.Now()
	err = inParallel(opening, n.phones, func(i int) error {
		y := o.yards[i%n.sites]
		c, err := dialRepo(ctx, &f.traffic, o.socket(y.phones[i/n.sites]), y.phones[i/n.sites].peerID(), true, f.led, &tally{goal: &f.goal, acks: &f.acks})
		if err != nil {
			return fmt.Errorf("connecting phone %d: %w", i, err)
		}
		clients[i] = c
		for _, name := range []string{logbook.PlanDocument, o.month} {
			d, err := c.open(y.documentID(name), nil)
			if err != nil {
				return err
			}
			if err := c.until(ctx, d, func() bool { return d.level() && d.g.Len() > 0 }); err != nil {
				return fmt.Errorf("opening %s: %w", name, err)
			}
		}
		return nil
	})
	if err != nil {
		return r, err
	}
	say("idle: %d phones connected in %.1f s", n.phones, time.Since(begun).Seconds())
	// What a phone costs while its documents are in memory, for all servers alike. Ours lets go of a document that
	// nobody says anything about, and what that leaves is what a silent phone costs: most are silent nearly all day.
	if err := b.idleMemory(ctx, o.p, free, before, n, &r); err != nil {
		return r, err
	}
	r.AtOnce = r.PerPhone
	if err := rest(ctx, silence); err != nil {
		return r, err
	}
	if err := b.idleMemory(ctx, o.p, free, before, n, &r); err != nil || b.profile == "" {
		return r, err
	}
	return r, errors.Join(o.fetch(ctx, "/debug/pprof/heap?gc=1", filepath.Join(b.profile, "idle-heap.pprof")),
		o.fetch(ctx, "/debug/pprof/heap?debug=1", filepath.Join(b.profile, "idle-heap.txt")),
		o.fetch(ctx, "/debug/pprof/goroutine", filepath.Join(b.profile, "idle-goroutines.pprof")))
}

// idlePeer measures another server.
func (b *run) idlePeer(ctx context.Context, t *npmServer, n idlers) (row, error) {
	r := row{Server: t.name(), Phones: n.phones, Note: "one document open on each phone; " + t.keeps()}
	folder, done, err := b.fresh(t.name())
	if err != nil {
		return r, err
	}
	defer done()
	sh := shape{docs: n.sites, perDoc: n.phones / n.sites}
	if err := t.start(ctx, folder, sh); err != nil {
		return r, err
	}
	defer t.stop()
	free := t.p.origin + "/debug/free"
	before, err := t.p.collected(ctx, free)
	if err != nil {
		return r, err
	}
	entries, err := newPen(rand.Uint64()).draw(n.month*sh.docs, sh.docs, 1, time.Now(), t.author)
	if err != nil {
		return r, err
	}
	if err := t.prepare(ctx, entries); err != nil {
		return r, err
	}
	f := &fleet{target: t, shape: sh, led: newLedger(entries), phones: [][]phone{make([]phone, n.phones)}}
	defer f.close()
	f.goal.aim(-1)
	begun := time.Now()
	open := func(doc, ph int) (phone, error) {
		p, err := t.open(ctx, &f.traffic, f.led, &tally{goal: &f.goal, acks: &f.acks}, doc, ph)
		if err != nil {
			return nil, fmt.Errorf("connecting phone %d of document %d: %w", ph, doc, err)
		}
		f.phones[0][ph*sh.docs+doc] = p
		return p, nil
	}
	err = inParallel(opening, sh.docs, func(doc int) error {
		p, err := open(doc, 0)
		for i := doc; err == nil && i < len(entries); i += sh.docs {
			err = p.write(entries[i])
		}
		return err
	})
	if err == nil {
		err = inParallel(opening, sh.docs*(sh.perDoc-1), func(i int) error {
			_, err := open(i%sh.docs, 1+i/sh.docs)
			return err
		})
	}
	if err == nil {
		err = rest(ctx, t.settles())
	}
	if err == nil {
		err = f.broken()
	}
	if err != nil {
		return r, t.p.explain(err)
	}
	say("idle: %s, %d phones connected in %.1f s", t.name(), n.phones, time.Since(begun).Seconds())
	if err := b.idleMemory(ctx, t.p, free, before, n, &r); err != nil {
		return r, err
	}
	r.AtOnce, r.PerPhone = r.PerPhone, nil
	return r, nil
}

// idleMemory fills in what n phones cost.
func (b *run) idleMemory(ctx context.Context, p *process, free string, before int64, n idlers, r *row) error {
	after, err := p.collected(ctx, free)
	if err != nil {
		return err
	}
	_, peak, err := p.memory()
	if err != nil {
		return err
	}
	r.RSS, r.Peak = megabytes(after), megabytes(peak)
	r.PerPhone = figure(float64(after-before) / float64(n.phones) / 1024)
	return nil
}

// idleBare is the floor: a Fiber server that has one goroutine for each socket, blocked in a read.
func (b *run) idleBare(ctx context.Context, n idlers) (row, error) {
	r := row{Server: "bare-fiber", Phones: n.phones, Note: "echoes, keeps nothing: the floor of this stack"}
	folder, done, err := b.fresh("bare-fiber")
	if err != nil {
		return r, err
	}
	defer done()
	p, err := launch(ctx, filepath.Join(folder, "log"), nil, b.echo)
	if err != nil {
		return r, err
	}
	defer p.stop()
	free := p.origin + "/debug/free"
	before, err := p.collected(ctx, free)
	if err != nil {
		return r, err
	}
	sockets := make([]*socket, n.phones)
	defer func() {
		for _, s := range sockets {
			if s != nil {
				s.close()
			}
		}
	}()
	var t traffic
	address := "ws" + p.origin[len("http"):] + "/echo"
	err = inParallel(opening, n.phones, func(i int) error {
		s, err := dial(ctx, &t, address)
		if err != nil {
			return err
		}
		sockets[i] = s
		if err := s.write([]byte("here")); err != nil {
			return err
		}
		_, err = s.read()
		return err
	})
	if err != nil {
		return r, err
	}
	if err := b.idleMemory(ctx, p, free, before, n, &r); err != nil {
		return r, err
	}
	r.AtOnce = r.PerPhone
	return r, nil
}
