package hub_test

import (
	"slices"
	"strings"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

func (p *peer) wantClosed(code int) {
	p.l.t.Helper()
	if p.closed == nil || p.closed.Code != code || p.closed.Reason == "" {
		p.l.t.Errorf("%s: closed %+v, want %d", p.sender, p.closed, code)
	}
}

func TestJoin(t *testing.T) {
	l := newLab(t)
	start := func(n int, bound string, m wire.Message) *peer {
		p := l.peer(l.enrol(n, "crew"))
		p.bound = bound
		p.connect()
		p.out = nil
		if m != nil {
			p.send(m)
		}
		l.settle(20)
		return p
	}
	ok := start(1, "", wire.Join{SenderID: "a"})
	if !ok.joined || ok.closed != nil {
		t.Error("a good join was not answered")
	}
	start(2, "", wire.Join{SenderID: "b", Versions: []string{"9"}}).wantClosed(hub.CloseProtocol)
	start(3, "", wire.Unavailable{SenderID: "c", TargetID: hubID, DocumentID: documentID(november)}).wantClosed(hub.CloseProtocol)
	start(4, "", wire.Join{SenderID: hubID}).wantClosed(hub.CloseIdentity)
	start(5, "", wire.Join{SenderID: "a"}).wantClosed(hub.CloseIdentity) // in use by another device
	if ok.closed != nil {
		t.Error("a peer lost its place to another device")
	}

	// The ticket of a script is bound to its first peer id.
	bound := start(6, "script", wire.Join{SenderID: "script"})
	if !bound.joined {
		t.Error("the right peer id was turned away")
	}
	wrong := start(6, "script", wire.Join{SenderID: "other"})
	wrong.wantClosed(hub.CloseIdentity)
	if len(wrong.errors) != 1 {
		t.Errorf("errors %q", wrong.errors)
	}

	// The same device again: it lost its connection before we noticed.
	again := start(1, "", wire.Join{SenderID: "a"})
	ok.wantClosed(hub.CloseSuperseded)
	if !again.joined || again.closed != nil {
		t.Error("a peer that came back was turned away")
	}
	again.send(wire.Join{SenderID: "a"})
	l.settle(10)
	again.wantClosed(hub.CloseProtocol)

	silent := start(7, "", nil)
	l.now += hub.JoinWithin - 1
	l.post(hub.Tick{})
	l.settle(10)
	if silent.closed != nil {
		t.Error("closed too early")
	}
	l.now++
	l.post(hub.Tick{})
	l.settle(10)
	silent.wantClosed(hub.CloseNoJoin)
	if bound.closed != nil {
		t.Error("one who had joined was closed")
	}
}

func TestSenderMustBeItsOwn(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	for _, p := range []*peer{a, b} {
		p.connect()
		p.tick()
	}
	l.settle(40)
	n := len(l.stored(november))
	op := b.set(b.entry(logbook.Tick))
	c := b.next(november, op)
	if err := b.encoded(c); err == nil {
		t.Fatal()
	}
	data := wire.SyncMessage{Heads: a.docs[november].g.Heads(), Changes: [][]byte{c.Bytes}}.Encode()
	a.send(wire.Sync{SenderID: b.sender, TargetID: hubID, DocumentID: documentID(november), Data: data})
	l.settle(20)
	a.wantClosed(hub.CloseProtocol)
	if len(l.stored(november)) != n || b.closed != nil {
		t.Error("a change came in under another's name, or the other was closed")
	}
	a.connect()
	l.settle(20)
	a.send(wire.Sync{SenderID: a.sender, TargetID: "somebody", DocumentID: documentID(november), Data: data})
	l.settle(20)
	a.wantClosed(hub.CloseProtocol)
}

func TestEphemeral(t *testing.T) {
	l := newLab(t)
	a, b, c := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew")), l.peer(l.enrol(3, "crew"))
	for _, p := range []*peer{a, b, c} {
		p.connect()
	}
	a.tick()
	b.open(november)
	l.settle(40)
	m := wire.Ephemeral{SenderID: a.sender, TargetID: hubID, DocumentID: documentID(november), SessionID: "s", Count: 3, Data: []byte{0xf6}}
	a.send(m)
	l.settle(3)
	if len(b.heard) != 1 || b.heard[0].SenderID != a.sender || b.heard[0].TargetID != b.sender || b.heard[0].Count != 3 {
		t.Errorf("heard %+v", b.heard)
	}
	if len(a.heard)+len(c.heard) != 0 {
		t.Error("passed on to its sender, or to one who does not follow the document")
	}
	// A stock client passes on what it heard, under the foreign sender.
	b.send(m)
	big := m
	big.Data = make([]byte, hub.MaxEphemeral+1)
	a.send(big)
	m.SenderID = c.sender
	c.send(m) // does not follow the document
	m.DocumentID = wire.DocumentID([16]byte{1})
	c.send(m)
	l.settle(10)
	if len(a.heard)+len(c.heard) != 0 || len(b.heard) != 1 {
		t.Error("passed on what should be dropped")
	}
	for _, p := range []*peer{a, b, c} {
		if p.closed != nil {
			t.Errorf("%s was closed: %+v", p.sender, *p.closed)
		}
	}
}

func TestUnknownDocument(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	foreign := wire.DocumentID([16]byte{7}) // of another site, or of nothing
	data := wire.SyncMessage{Have: []wire.Have{{}}}.Encode()
	for _, id := range []string{foreign, "not an id at all!"[:3], documentID(november)} {
		a.send(wire.Sync{Request: true, SenderID: a.sender, TargetID: hubID, DocumentID: id, Data: data})
	}
	l.settle(12)
	if len(a.unavailable) != 3 || a.closed != nil || l.site.Stats().Documents != 1 {
		t.Errorf("unavailable %v, closed %v", a.unavailable, a.closed)
	}
}

func TestBadFrames(t *testing.T) {
	l := newLab(t)
	other := l.peer(l.enrol(2, "crew"))
	other.connect()
	other.open(november)
	l.settle(10)
	sync := func(data []byte) []byte {
		b, err := wire.Encode(wire.Sync{SenderID: "peer-" + device(1), TargetID: hubID, DocumentID: documentID(november), Data: data})
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for name, c := range map[string]struct {
		frame []byte
		code  int
	}{
		"no CBOR":                 {[]byte("hello"), hub.CloseProtocol},
		"empty":                   {nil, hub.CloseProtocol},
		"too long":                {make([]byte, wire.MaxFrame+1), hub.CloseTooLarge},
		"a payload of version 2":  {sync([]byte{0x43, 0, 0, 0, 0}), hub.CloseProtocol},
		"a filter without bits":   {sync([]byte{0x42, 0, 0, 1, 0, 3, 5, 10, 7, 0}), hub.CloseProtocol},
		"a filter of zero bits":   {sync([]byte{0x42, 0, 0, 1, 0, 3, 5, 0, 7, 0}), hub.CloseProtocol},
		"half a payload":          {sync([]byte{0x42, 9}), hub.CloseProtocol},
		"more heads than bytes":   {sync([]byte{0x42, 0xff, 0xff, 0xff, 0x7f}), hub.CloseProtocol},
		"a chunk of three bytes":  {sync([]byte{0x42, 0, 0, 0, 1, 3, 1, 2, 3}), hub.CloseProtocol},
		"bytes behind the end":    {append(sync([]byte{0x42, 0, 0, 0, 0}), 0), hub.CloseProtocol},
		"a payload with no bytes": {[]byte{0xa1, 0x64, 't', 'y', 'p', 'e', 0x64, 's', 'y', 'n', 'c'}, hub.CloseProtocol},
	} {
		t.Run(name, func(t *testing.T) {
			p := l.peer(l.enrol(1, "crew"))
			p.connect()
			l.settle(10)
			l.post(hub.Frame{Conn: p.conn, Bytes: c.frame})
			l.settle(10)
			p.wantClosed(c.code)
			if len(p.errors) != 1 {
				t.Errorf("errors %q", p.errors)
			}
			if other.closed != nil {
				t.Error("the other peer was closed")
			}
		})
	}
}

func TestTooMany(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	a.connect()
	b.connect()
	l.settle(10)
	data := wire.SyncMessage{Have: []wire.Have{{}}}.Encode()
	say := func(p *peer, name string) {
		p.send(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(name), Data: data})
	}
	for year := 2000; year < 2030; year++ {
		for _, month := range []string{"01", "02", "03", "04", "05", "06", "07", "08", "09", "10", "11", "12"} {
			if a.conn != 0 {
				say(a, "log/"+string('0'+rune(year/1000))+string('0'+rune(year/100%10))+string('0'+rune(year/10%10))+string('0'+rune(year%10))+"-"+month)
			}
		}
	}
	l.settle(1000)
	a.wantClosed(hub.CloseTooMany)

	for range 3000 {
		say(b, november)
	}
	l.settle(4000)
	b.wantClosed(hub.CloseTooMany)
	b.connect()
	for i := range 3000 { // the same, but over a minute
		say(b, november)
		if i%10 == 0 {
			l.now += 200
			l.settle(40)
		}
	}
	l.settle(100)
	if b.closed != nil {
		t.Errorf("closed %+v", *b.closed)
	}

	// Frames that wait for a document are bounded too.
	c := l.peer(l.enrol(3, "crew"))
	c.connect()
	l.settle(10)
	l.park = func(ev hub.Event) bool { _, is := ev.(hub.Loaded); return is }
	for i := range hub.MaxWaiting + 10 {
		say(c, october)
		if i%100 == 0 {
			l.now += 1000
			l.settle(300)
		}
	}
	l.now += 1000
	l.settle(300)
	c.wantClosed(hub.CloseTooMany)
}

func TestDrop(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	shared := l.peer(l.enrol(3, "crew", func(a *admit.Author) {
		a.People = append(a.People, admit.Person{ID: person(2), Role: "crew", From: begun})
	}))
	for _, p := range []*peer{a, b, shared} {
		p.connect()
		p.open(november)
	}
	l.settle(40)
	l.post(hub.Drop{Device: device(1)})
	l.settle(10)
	a.wantClosed(hub.CloseRevoked)
	if b.closed != nil || shared.closed != nil {
		t.Error("others were closed")
	}
	l.post(hub.Drop{Person: person(2)})
	l.settle(10)
	b.wantClosed(hub.CloseRevoked)
	shared.wantClosed(hub.CloseRevoked)
	if !l.site.Idle() {
		t.Error("nobody is there and the site is not idle")
	}
}

// TestForgottenDocuments: a document nobody follows leaves memory, and comes
// back when somebody asks.
func TestForgottenDocuments(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	a.connect()
	id := a.tick()
	b.connect()
	l.settle(40)
	a.disconnect()
	l.post(hub.Tick{})
	l.settle(10)
	l.now += 61_000
	l.post(hub.Tick{})
	l.settle(10)
	if n := l.site.Stats().Documents; n != 0 {
		t.Errorf("%d documents in memory", n)
	}
	b.open(november)
	l.settle(20)
	if !b.has(november, id) {
		t.Error("it did not come back")
	}
}

// A document whose peers say nothing leaves the memory, and none of them
// notices: not when one writes, and not when another node did.
func TestQuietDocumentsRest(t *testing.T) {
	l := newLab(t)
	a, b := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
	for _, p := range []*peer{a, b} {
		p.connect()
		p.open(november)
	}
	l.settle(40)
	a.tick()
	l.settle(40)
	quiet := func() {
		for range 70 {
			l.now += 1000
			l.post(hub.Tick{})
			l.settle(0)
		}
	}
	write := func() (frames, loads int) {
		frames, loads = l.frames, l.store.Calls("Load")
		a.tick()
		l.settle(40)
		l.wantSame(november, a, b)
		return l.frames - frames, l.store.Calls("Load") - loads
	}
	awake, loads := write()
	if loads != 0 {
		t.Fatalf("loaded %d times while in use", loads)
	}
	quiet()
	rested, loads := write()
	if rested != awake || loads != 1 {
		t.Errorf("after a rest an entry took %d frames and %d loads, want %d and 1", rested, loads, awake)
	}

	node, c := l.node()
	quiet()
	id := c.tick()
	node.settle(20)
	l.post(hub.Hint{Doc: november, Heads: c.docs[november].g.Heads()})
	l.settle(20)
	if !a.has(november, id) || !b.has(november, id) {
		t.Error("what another node wrote during a rest did not come")
	}
}

func TestListOfOneSiteIsInOrder(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.tick(func(e *logbook.Entry) { e.ID = l.entryID(noon - 20*24*3600_000) })
	a.tick()
	l.post(hub.WritePlan{Token: 1, Items: planItems()})
	l.settle(60)
	var names []string
	for _, d := range a.lists[len(a.lists)-1].Documents {
		names = append(names, d.Name)
		if d.ID != documentID(d.Name) || len(d.Heads) != 1 {
			t.Errorf("%+v", d)
		}
	}
	if want := []string{"plan", october, november}; !slices.Equal(names, want) {
		t.Errorf("listed %s", strings.Join(names, " "))
	}
}

// TestListThatComesLate: what was committed while the store was listing is not
// put back to what the list says.
func TestListThatComesLate(t *testing.T) {
	l := newLab(t)
	a := l.peer(l.enrol(1, "crew"))
	a.connect()
	a.tick()
	l.settle(40)
	l.restart(0)
	l.park = func(ev hub.Event) bool { _, is := ev.(hub.Listed); return is }
	a.connect()
	a.tick()
	l.settle(40)
	l.park = nil
	l.events = append(l.events, l.parked...)
	a.lists = nil
	l.settle(10)
	if len(a.lists) != 1 || !slices.Equal(a.lists[0].Documents[0].Heads, a.docs[november].g.Heads()) {
		t.Errorf("listed %+v", a.lists)
	}
}
