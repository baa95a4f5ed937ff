package hub_test

import (
	"context"
	"database/sql"
	"errors"
	"io"
	"log/slog"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
	"gatewright/sync/sqlitestore"
	"gatewright/sync/storetest"
	"gatewright/sync/wire"
)

// pipe is a socket in memory.
type pipe struct {
	in     chan []byte // to the hub
	out    chan []byte // from the hub
	closed chan struct{}
	once   sync.Once
	code   int
}

func newPipe(buffer int) *pipe {
	return &pipe{in: make(chan []byte, 64), out: make(chan []byte, buffer), closed: make(chan struct{})}
}

func (p *pipe) ReadFrame() ([]byte, error) {
	select {
	case b := <-p.in:
		return b, nil
	case <-p.closed:
		return nil, io.EOF
	}
}

func (p *pipe) WriteFrame(b []byte) error {
	select {
	case p.out <- b:
		return nil
	case <-p.closed:
		return io.ErrClosedPipe
	}
}

func (p *pipe) Close(code int, _ string) error {
	p.once.Do(func() { p.code = code; close(p.closed) })
	return nil
}

// wired is a peer of the lab at a real Runner.
type wired struct {
	*peer
	pipe  *pipe
	ended chan error
}

func sqlite(t *testing.T) *sqlitestore.DB {
	t.Helper()
	db, err := sqlitestore.Open(context.Background(), filepath.Join(t.TempDir(), "gatewright.db"), sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	enrol := func(tx *sql.Tx) error {
		_, err := tx.Exec(`INSERT INTO sites (id, slug, name, zone, created_at) VALUES ($1, 'yard', 'Yard', 'Europe/Dublin', 1)`, yard)
		for n := 1; n <= 2 && err == nil; n++ {
			_, err = tx.Exec(`INSERT INTO devices (id, site_id, public_key, label, created_at, relay) VALUES ($1, $2, x'00', 'phone', 1, 0)`, device(n), yard)
			for _, q := range []string{
				`INSERT INTO people (id, name, created_at) VALUES ($1, 'Somebody', 1)`,
				`INSERT INTO device_people (device_id, person_id, added_at) VALUES (replace($1, 'p', 'd'), $1, 1)`,
				`INSERT INTO grants (id, site_id, person_id, role, from_at) VALUES ($1, '` + yard + `', $1, 'crew', 1)`,
			} {
				if err == nil {
					_, err = tx.Exec(q, person(n))
				}
			}
		}
		return err
	}
	if err := db.Write(context.Background(), enrol); err != nil {
		t.Fatal(err)
	}
	return db
}

func runner(t *testing.T, store hub.Store) *hub.Runner {
	t.Helper()
	r := hub.NewRunner(store, hub.Config{StorageID: "store", PeerID: hubID, TickEvery: 10 * time.Millisecond},
		slog.New(slog.NewTextHandler(io.Discard, nil)))
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := r.Close(ctx); err != nil {
			t.Error(err)
		}
	})
	return r
}

func plug(t *testing.T, l *lab, r *hub.Runner, store hub.Store, n int) *wired {
	t.Helper()
	a, ok, err := store.AuthorOf(context.Background(), yard, device(n))
	if err != nil || !ok {
		t.Fatalf("no device %d: %v", n, err)
	}
	w := &wired{peer: l.peer(a), pipe: newPipe(64), ended: make(chan error, 1)}
	w.conn = 1 // so that it speaks
	go func() {
		w.ended <- r.Serve(context.Background(), hub.Identity{Site: yard, Device: a.Device, Author: a}, w.pipe)
	}()
	w.send(wire.Join{SenderID: w.sender, Gatewright: true})
	return w
}

// until lets the peer take part until a condition holds.
func (w *wired) until(what string, done func() bool) {
	w.l.t.Helper()
	late := time.After(20 * time.Second)
	for {
		for _, b := range w.out {
			w.pipe.in <- b
		}
		w.out = nil
		if done() {
			return
		}
		select {
		case b := <-w.pipe.out:
			w.receive(b)
		case <-w.pipe.closed:
			w.l.t.Fatalf("closed with %d while waiting until %s", w.pipe.code, what)
		case <-late:
			w.l.t.Fatalf("waited too long until %s", what)
		}
	}
}

func TestRunner(t *testing.T) {
	db := sqlite(t)
	r := runner(t, db)
	l := newLab(t)
	a := plug(t, l, r, db, 1)
	a.until("joined", func() bool { return a.joined && len(a.lists) > 0 })
	id := a.tick()
	a.until("acknowledged", func() bool { return a.safe(november) })
	rows, _, err := db.Load(context.Background(), yard, november)
	if err != nil || len(rows) != 1 || rows[0].Device != device(1) || len(rows[0].Entries) != 1 {
		t.Fatalf("acknowledged and not stored: %+v, %v", rows, err)
	}
	b := plug(t, l, r, db, 2)
	b.open(november)
	b.until("the entry came", func() bool { return b.has(november, id) })
	other := b.tick()
	b.until("acknowledged", func() bool { return b.safe(november) })
	a.until("the other entry came", func() bool { return a.has(november, other) })

	raw, err := logbook.Entry{ID: l.entryID(noon), Kind: logbook.Clock, At: noon, By: logbook.Server, Dev: logbook.Server,
		Device: device(1), Offset: 130_000}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	older, _ := logbook.Entry{ID: l.entryID(noon - 20*24*3600_000), Kind: logbook.Clock, At: noon, By: logbook.Server,
		Dev: logbook.Server, Device: device(1), Offset: 130_000}.Encode()
	for range 2 {
		if err := r.WriteEntries(context.Background(), yard, [][]byte{raw, older}); err != nil {
			t.Fatal(err)
		}
	}
	a.until("the server's entry came", func() bool {
		return len(a.lists) > 0 && len(a.lists[len(a.lists)-1].Documents) == 2 && a.docs[november].g.Len() == 3
	})
	if err := r.WritePlan(context.Background(), yard, planItems()); err != nil {
		t.Fatal(err)
	}
	if err := r.WriteEntries(context.Background(), yard, [][]byte{[]byte("{}")}); err == nil {
		t.Error("a bad entry was written")
	}
	if st := r.Stats(); st.Sites != 1 || st.Conns != 2 || st.Admitted != 5 {
		t.Errorf("%+v", st)
	}

	r.DropDevice(yard, device(1))
	if err := <-a.ended; !errors.Is(err, hub.ErrClosed) || a.pipe.code != hub.CloseRevoked {
		t.Errorf("dropped: %v, code %d", err, a.pipe.code)
	}
	_ = b.pipe.Close(1000, "")
	if err := <-b.ended; !errors.Is(err, io.EOF) {
		t.Errorf("left: %v", err)
	}
	// Nobody is there any more: the site leaves memory, and comes back.
	gone := time.NewTicker(time.Millisecond)
	defer gone.Stop()
	for r.Stats().Sites != 0 {
		<-gone.C
	}
	c := plug(t, l, r, db, 2)
	c.open(november)
	c.until("all came", func() bool { return c.docs[november].g.Len() == 3 })
}

func TestRunnerOfAnUnknownSite(t *testing.T) {
	r := runner(t, memstore.New())
	raw, err := logbook.Entry{ID: logbook.NewEntryID(noon, [10]byte{1}), Kind: logbook.Clock, At: noon, By: logbook.Server,
		Dev: logbook.Server, Device: device(1), Offset: 130_000}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.WriteEntries(context.Background(), yard, [][]byte{raw}); err == nil {
		t.Error("written to a site that is not there")
	}
	if err := r.WriteEntries(context.Background(), "no uuid", [][]byte{raw}); err == nil {
		t.Error("written to what is no site")
	}
}

func TestRunnerStoreFails(t *testing.T) {
	l := newLab(t)
	l.enrol(1, "crew")
	r := runner(t, l.store)
	a := plug(t, l, r, l.mem, 1)
	a.until("joined", func() bool { return a.joined })
	a.tick()
	a.until("acknowledged", func() bool { return a.safe(november) })
	l.store.Fail(storetest.Fault{Method: "Append"})
	a.tick()
	for _, b := range a.out {
		a.pipe.in <- b
	}
	if err := <-a.ended; !errors.Is(err, hub.ErrClosed) || a.pipe.code != hub.CloseTryLater {
		t.Errorf("%v, code %d", err, a.pipe.code)
	}
	l.store.Fail(storetest.Fault{Method: "Append", After: true})
	raw, _ := logbook.Entry{ID: l.entryID(noon), Kind: logbook.Clock, At: noon, By: logbook.Server, Dev: logbook.Server,
		Device: device(1), Offset: 130_000}.Encode()
	if err := r.WriteEntries(context.Background(), yard, [][]byte{raw}); !errors.Is(err, storetest.ErrFault) {
		t.Errorf("a failed write gives %v", err)
	}
	if err := r.WriteEntries(context.Background(), yard, [][]byte{raw}); err != nil {
		t.Errorf("again: %v", err)
	}
	if n := len(l.stored(november)); n != 2 {
		t.Errorf("%d entries", n)
	}
}

// TestSlowReader: one who does not read is let go, and nobody waits for it.
func TestSlowReader(t *testing.T) {
	l := newLab(t)
	l.enrol(1, "crew")
	l.enrol(2, "crew")
	var clock atomic.Int64 // a hundredth of a second for every look, so that nobody sends too fast
	r := hub.NewRunner(l.mem, hub.Config{StorageID: "store", PeerID: hubID,
		Now: func() time.Time { return time.UnixMilli(noon + clock.Add(10)) }}, slog.New(slog.NewTextHandler(io.Discard, nil)))
	defer func() { _ = r.Close(context.Background()) }()
	slow := newPipe(0)
	ended := make(chan error, 1)
	go func() {
		ended <- r.Serve(context.Background(), hub.Identity{Site: yard, Device: device(2), Author: l.peerAuthor(2)}, slow)
	}()
	for _, m := range []wire.Message{
		wire.Join{SenderID: "slow"},
		wire.Sync{Request: true, SenderID: "slow", TargetID: hubID, DocumentID: documentID(november),
			Data: wire.SyncMessage{Have: []wire.Have{{}}}.Encode()},
	} {
		b, err := wire.Encode(m)
		if err != nil {
			t.Fatal(err)
		}
		slow.in <- b
	}
	a := plug(t, l, r, l.mem, 1)
	a.until("joined", func() bool { return a.joined })
	a.tick()
	a.until("acknowledged", func() bool { return a.safe(november) })
	m := wire.Ephemeral{SenderID: a.sender, TargetID: hubID, DocumentID: documentID(november), SessionID: "s",
		Data: make([]byte, hub.MaxEphemeral)}
	for {
		m.Count++
		a.send(m)
		a.until("sent", func() bool { return true })
		select {
		case err := <-ended:
			if !errors.Is(err, hub.ErrClosed) || slow.code != hub.CloseTooMany {
				t.Errorf("%v, code %d", err, slow.code)
			}
			a.tick()
			a.until("acknowledged", func() bool { return a.safe(november) })
			return
		case <-a.pipe.closed:
			t.Fatalf("the sender was closed with %d", a.pipe.code)
		default:
		}
	}
}

func (l *lab) peerAuthor(n int) admit.Author {
	a, _, err := l.mem.AuthorOf(context.Background(), yard, device(n))
	if err != nil {
		l.t.Fatal(err)
	}
	return a
}

func TestCloseLetsEverybodyGo(t *testing.T) {
	l := newLab(t)
	l.enrol(1, "crew")
	r := hub.NewRunner(l.mem, hub.Config{StorageID: "store", PeerID: hubID}, slog.New(slog.NewTextHandler(io.Discard, nil)))
	a := plug(t, l, r, l.mem, 1)
	a.until("joined", func() bool { return a.joined })
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := r.Close(ctx); err != nil {
		t.Fatal(err)
	}
	if err := <-a.ended; !errors.Is(err, hub.ErrClosed) || a.pipe.code != hub.CloseTryLater {
		t.Errorf("%v, code %d", err, a.pipe.code)
	}
	late := newPipe(1)
	if err := r.Serve(ctx, hub.Identity{Site: yard, Device: device(1)}, late); !errors.Is(err, hub.ErrClosed) || late.code != hub.CloseTryLater {
		t.Errorf("%v, code %d", err, late.code)
	}
	if err := r.WritePlan(ctx, yard, planItems()); !errors.Is(err, hub.ErrClosed) {
		t.Errorf("%v", err)
	}
}
