package hub_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/graph"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

// alive checks that another peer's work goes through whatever the first did.
func (l *lab) alive(other *peer) {
	l.t.Helper()
	if other.closed != nil {
		l.t.Fatalf("the other peer was closed: %+v", *other.closed)
	}
	id := other.tick()
	l.settle(100)
	if l.stored(november)[id] == nil {
		l.t.Error("the other peer's work is stopped")
	}
}

// A device that opens more sockets than any phone needs is turned away at the
// next, and at no other; one that it closes makes room.
func TestConnectionsOfADevice(t *testing.T) {
	l := newLab(t)
	a, other := l.enrol(1, "crew"), l.peer(l.enrol(2, "crew"))
	other.connect()
	var peers []*peer
	for i := range hub.MaxPerDevice + 1 {
		p := l.peer(a)
		p.sender = fmt.Sprint("tab-", i)
		p.connect()
		peers = append(peers, p)
	}
	l.settle(200)
	last := peers[hub.MaxPerDevice]
	for _, p := range peers[:hub.MaxPerDevice] {
		if p.closed != nil {
			t.Errorf("%s was closed: %+v", p.sender, *p.closed)
		}
	}
	last.wantClosed(hub.CloseTooMany)
	l.alive(other)
	peers[0].disconnect()
	last.connect()
	l.settle(20)
	if !last.joined {
		t.Error("no room after one has gone")
	}
	l.alive(other)
}

// The connections of a site are bounded as well.
func TestConnectionsOfASite(t *testing.T) {
	l := newLab(t)
	for i := range hub.MaxPerSite + 1 {
		p := l.peer(l.enrol(1+i/10, "crew"))
		p.sender = fmt.Sprint("p", i)
		p.connect()
		l.settle(20)
		if full := i == hub.MaxPerSite; full != (p.closed != nil) {
			t.Fatalf("connection %d: closed %v", i, p.closed)
		}
	}
}

// Four connections' worth of frames are one device's; a fifth finds nothing
// left, until time has passed. Bytes count as frames do.
func TestFramesOfADevice(t *testing.T) {
	for name, size := range map[string]int{"small frames": 0, "large frames": 160 << 10} {
		t.Run(name, func(t *testing.T) {
			l := newLab(t)
			a, other := l.enrol(1, "crew"), l.peer(l.enrol(2, "crew"))
			other.connect()
			l.settle(10)
			spend := func(i int) (*peer, int) {
				p := l.peer(a)
				p.sender = fmt.Sprint("tab-", i)
				p.connect()
				l.settle(10)
				frame, err := wire.Encode(wire.Ephemeral{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(november),
					SessionID: "s", Count: 1, Data: make([]byte, 1+size)})
				if err != nil {
					t.Fatal(err)
				}
				n := 0
				for ; n < 2000 && p.conn != 0; n++ {
					l.post(hub.Frame{Conn: p.conn, Bytes: frame})
					l.settle(4)
				}
				return p, n
			}
			each := 1000
			if size > 0 {
				each = 1000 / (1 + size/(16<<10))
			}
			total := 0
			for i := range 6 {
				p, n := spend(i)
				p.wantClosed(hub.CloseTooMany)
				if n > each+2 {
					t.Errorf("connection %d: %d frames", i, n)
				}
				total += n
			}
			if total < 4*each-40 || total > 4*each+40 {
				t.Errorf("%d frames of the device, want about %d", total, 4*each)
			}
			l.alive(other)
			l.now += 10_000
			if p, n := spend(9); n < each-2 {
				t.Errorf("after a while %d frames, closed %+v", n, p.closed)
			}
		})
	}
}

// bomb is a chunk of deflated zeros, of which each byte stands for as many as
// are allowed and some.
func bomb() []byte {
	return deflated(make([]byte, 30<<10))
}

// Many small bombs in one frame: what they may swell to together is bounded,
// and so is what few bytes claim in operations, over all changes of a frame.
func TestBombsInOneFrame(t *testing.T) {
	l := newLab(t)
	p, other := l.peer(l.enrol(1, "manager")), l.peer(l.enrol(2, "crew"))
	l.post(hub.WritePlan{Token: 1, Items: planItems()})
	other.connect()
	p.connect()
	p.open(november)
	p.open("plan")
	l.settle(60)

	p.restart()
	var swollen [][]byte // changes that are in order, of long equal words
	for len(swollen) < 400 {
		e := p.entry(logbook.Note, func(e *logbook.Entry) { e.Text = fmt.Sprintf("%0300d", len(swollen)) })
		c := p.next(november, p.set(e))
		c.Actor = change.Actor(p.l.entryID(noon))
		swollen = append(swollen, deflated(body(p.encoded(c))))
	}
	for name, chunks := range map[string][][]byte{
		"bombs":                 slices.Repeat([][]byte{bomb()}, 5000),
		"a bomb and much other": append(slices.Repeat([][]byte{deflated(make([]byte, 7<<10))}, 3000), bomb()),
	} {
		if p.conn == 0 {
			p.connect()
			l.settle(40)
		}
		l.post(hub.Frame{Conn: p.conn, Bytes: p.chunks(november, chunks...)})
		l.settle(40)
		if p.closed == nil || p.closed.Code != hub.CloseTooLarge {
			t.Fatalf("%s: %+v", name, p.closed)
		}
		l.alive(other)
		l.now += 60_000
	}
	if len(l.stored(november)) != 2 {
		t.Errorf("%d entries", len(l.stored(november)))
	}
	// What is deflated as a client would is no bomb.
	p.connect()
	l.settle(40)
	l.post(hub.Frame{Conn: p.conn, Bytes: p.chunks(november, swollen[:20]...)})
	l.settle(60)
	if n := len(l.stored(november)); n != 22 || p.closed != nil {
		t.Errorf("%d entries, closed %+v, refused %v", n, p.closed, p.codes())
	}
}

// A history that comes children first is taken as one that comes in order.
func TestReverseOrder(t *testing.T) {
	l := newLab(t)
	p := l.peer(l.enrol(1, "crew"))
	var chunks [][]byte
	const n = 2000
	p.open(november)
	for range n {
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		if err := change.Encode(c); err != nil {
			t.Fatal(err)
		}
		if err := p.docs[november].g.Add(graph.Node{Hash: c.Hash, Deps: c.Deps, Actor: c.Actor, Seq: c.Seq, MaxOp: c.MaxOp(), Bytes: c.Bytes}); err != nil {
			t.Fatal(err)
		}
		chunks = append(chunks, c.Bytes)
	}
	slices.Reverse(chunks)
	p.connect()
	l.settle(20)
	l.post(hub.Frame{Conn: p.conn, Bytes: p.chunks(november, chunks...)})
	l.settle(40)
	if got := len(l.stored(november)); got != n || p.closed != nil {
		t.Errorf("%d of %d entries, closed %+v", got, n, p.closed)
	}
}

// What is kept of what a device said is bounded over all documents and
// connections: filters here.
func TestKept(t *testing.T) {
	l := newLab(t)
	p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	other.connect()
	p.connect()
	l.settle(20)
	filter := slices.Concat([]byte{0x42, 0, 0, 1, 0}, uleb(200_000*10/8+5), uleb(200_000), []byte{10, 7}, make([]byte, 250_000), []byte{0})
	n := 0
	for year := 2001; year <= 2008 && p.conn != 0; year++ {
		for month := 1; month <= 12 && p.conn != 0; month++ {
			p.send(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(fmt.Sprintf("log/%d-%02d", year, month)), Data: filter})
			l.now += 1000
			l.settle(20)
			n++
		}
	}
	p.wantClosed(hub.CloseTooMany)
	if n != hub.MaxKept/250_000+1 {
		t.Errorf("closed after %d filters", n)
	}
	l.alive(other)
	p.connect() // with it goes what was kept
	id := p.tick()
	l.settle(40)
	if l.stored(november)[id] == nil {
		t.Error("the device's work does not go through")
	}
}

// ones is the filter that claims to hold everything.
func ones(entries int) []byte {
	raw := append(uleb(uint64(entries)), 10, 16)
	for range (entries*10 + 7) / 8 {
		raw = append(raw, 0xff)
	}
	return raw
}

// A peer that says again and again that it has everything, with the dearest
// filters there may be, pays for the work and is turned away before it has
// taken much of it; the others do not notice.
func TestDearFilters(t *testing.T) {
	l := newLab(t)
	p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	other.connect()
	for range 300 {
		other.tick()
		l.now += 100
		l.settle(20)
	}
	p.connect()
	l.settle(20)
	filter := ones(100)
	head := change.Hash{1}
	n := 0
	for ; n < 1000 && p.conn != 0; n++ {
		head[31], head[30] = byte(n), byte(n>>8)
		payload := slices.Concat([]byte{0x42, 1}, head[:], []byte{0, 2})
		for range 2 {
			payload = slices.Concat(payload, []byte{0}, uleb(uint64(len(filter))), filter)
		}
		p.send(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(november), Data: append(payload, 0)})
		l.settle(10)
	}
	p.wantClosed(hub.CloseTooMany)
	// 301 changes, each looked at once and held against the first filter with
	// its 16 probes: three tenths of a frame more than the one that asked for it.
	if n < 700 || n > 800 {
		t.Errorf("turned away after %d messages", n)
	}
	l.alive(other)
}

// A peer whose filter claims everything gets nothing by the filter, and all it
// asks for by name: it is not left without for ever.
func TestFilterOfOnes(t *testing.T) {
	l := newLab(t)
	p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	other.connect()
	for range 40 {
		other.tick()
		l.settle(20)
	}
	p.connect()
	l.settle(20)
	filter := ones(50)
	have := map[change.Hash]bool{}
	need := []change.Hash{}
	by := map[change.Hash][]change.Hash{}
	rounds := 0
	p.docs[november] = &copyOf{g: graph.New()} // what comes is read here; nothing is answered by itself
	p.out = nil
	for ; rounds < 100; rounds++ {
		payload := append([]byte{0x42, 0}, uleb(uint64(len(need)))...)
		for _, h := range need {
			payload = append(payload, h[:]...)
		}
		payload = slices.Concat(payload, []byte{1, 0}, uleb(uint64(len(filter))), filter, []byte{0})
		frame, err := wire.Encode(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(november), Data: payload})
		if err != nil {
			t.Fatal(err)
		}
		seen := len(l.said)
		delete(p.docs, november)
		l.post(hub.Frame{Conn: p.conn, Bytes: frame})
		l.settle(20)
		need = nil
		for _, effects := range l.said[seen:] {
			for _, e := range effects {
				send, ok := e.(hub.Send)
				if !ok {
					continue
				}
				m, err := wire.Decode(send.Bytes)
				if err != nil {
					t.Fatal(err)
				}
				s, ok := m.(wire.Sync)
				if !ok {
					continue
				}
				got, err := wire.DecodeSync(s.Data)
				if err != nil {
					t.Fatal(err)
				}
				for _, chunk := range got.Changes {
					c, err := change.Decode(chunk, change.DefaultLimits)
					if err != nil {
						t.Fatal(err)
					}
					have[c.Hash], by[c.Hash] = true, c.Deps
				}
				need = append(need, got.Heads...)
			}
		}
		for _, deps := range by {
			need = append(need, deps...)
		}
		slices.SortFunc(need, change.Hash.Compare)
		need = slices.DeleteFunc(slices.Compact(need), func(h change.Hash) bool { return have[h] })
		if len(have) == 40 {
			break
		}
	}
	if len(have) != 40 || p.closed != nil {
		t.Errorf("%d of 40 changes after %d rounds, closed %+v", len(have), rounds, p.closed)
	}
}

// A change that comes a hundred times is taken, or refused, once.
func TestReplayed(t *testing.T) {
	l := newLab(t)
	p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	other.connect()
	other.open(november)
	p.connect()
	p.open(november)
	l.settle(20)
	good := p.encoded(p.next(november, p.set(p.entry(logbook.Tick))))
	p.restart()
	bad := p.encoded(p.next(november, p.set(p.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no" }))))
	for range 100 {
		l.post(hub.Frame{Conn: p.conn, Bytes: p.chunks(november, good, bad, good, bad, deflated(body(good)))})
	}
	l.settle(400)
	if len(l.stored(november)) != 1 || len(l.mem.Quarantined(yard)) != 1 || len(p.refused) != 1 || p.closed != nil {
		t.Errorf("%d stored, %d in quarantine, told %d times, closed %+v", len(l.stored(november)), len(l.mem.Quarantined(yard)), len(p.refused), p.closed)
	}
	l.alive(other)
}

// What a role may edit of the plan, every field of every collection: the table
// of rights is what the hub goes by, from an actor known to be the device's.
func TestPlanFieldsByRole(t *testing.T) {
	values := map[string]change.Value{}
	for _, c := range logbook.Collections() {
		for _, f := range logbook.PlanFields(c) {
			for _, v := range []change.Value{change.String("x"), change.Int(1), change.Bool(true), change.String("Europe/Dublin"),
				change.String(yard), change.String("look"), change.String("air"), change.String("east"), change.String("[]"), change.String("{}"), change.Bytes(zone("UTC")), change.String("2026a"), {}} {
				if admit.CheckField(c, f, v) == "" {
					values[c+"."+f] = v
					break
				}
			}
		}
	}
	managers := map[string]string{ // by hand, after the table of rights
		"site": "name zone milkings manual_after quiet_after lang", "gates": "name order drive layout indicators learning rates retired",
		"parts": "gate type name pos order retired", "rounds": "name milking checks order retired",
		"checks": "gate part name kind cadence limits recheck minutes how cautions source order retired",
	}
	items := append(planItems(), hub.PlanItem{Collection: "parts", ID: "leaf", Fields: map[string]change.Value{"gate": change.String("east")}},
		hub.PlanItem{Collection: "checks", ID: "lens", Fields: map[string]change.Value{"gate": change.String("east")}},
		hub.PlanItem{Collection: "rounds", ID: "dawn", Fields: map[string]change.Value{"name": change.String("Dawn")}})
	ids := map[string]string{"gates": "east", "parts": "leaf", "checks": "lens", "rounds": "dawn"}
	tried := 0
	for _, role := range []admit.Role{"crew", "manager", "contractor", "technician", "viewer"} {
		for _, c := range logbook.Collections() {
			for _, f := range logbook.PlanFields(c) {
				v, ok := values[c+"."+f]
				if !ok {
					t.Errorf("no value for %s.%s", c, f)
					continue
				}
				want := "rights"
				if role == "manager" && slices.Contains(strings.Fields(managers[c]), f) {
					want = ""
				}
				l := newLab(t)
				p := l.peer(l.enrol(1, role))
				l.post(hub.WritePlan{Token: 1, Items: items})
				p.connect()
				p.open("plan")
				l.settle(60)
				switch role {
				case "crew", "manager", "contractor":
					p.tick() // its actor is the device's from now on
					l.settle(20)
				case "technician", "viewer":
					want = "rights(held)" // it may be a manager's edit that this phone only brings
				}
				p.put("plan", p.next("plan", p.field(t, c, ids[c], f, v)))
				l.settle(30)
				if got := p.codes(); got != want || p.closed != nil {
					t.Errorf("%s edits %s.%s: %q, want %q", role, c, f, got, want)
				}
				tried++
			}
		}
	}
	t.Logf("%d edits by five roles", tried)
}
