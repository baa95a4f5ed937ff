package hub_test

import (
	"bytes"
	"compress/flate"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"slices"
	"strings"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/fold"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

// How a fuzzed input reaches the machine: the further down the list, the more
// of what surrounds it is put right, so that mutations get behind the checks.
const (
	asFrames   = iota // whole frames, each behind two bytes of length
	asPayload         // the payload of a sync message
	asChunk           // one change chunk as it is
	asContents        // the contents of a change chunk; length and checksum fit
	asDeflated        // the same, deflated
	asEntry           // the text of a log entry in a change that is right
	asBundle          // contents of several changes between two good ones
	ways
)

// stage is a yard with a plan, one entry, a peer that misbehaves and one that
// does not. It is the same every time.
func stage(t testing.TB, manager bool) (l *lab, p, other *peer) {
	l = newLab(t)
	role := admit.Role("crew")
	if manager {
		role = "manager"
	}
	p, other = l.peer(l.enrol(1, role)), l.peer(l.enrol(2, "crew"))
	l.post(hub.WritePlan{Token: 1, Items: planItems()})
	other.tick()
	other.connect()
	p.connect()
	p.open(november)
	p.open("plan")
	l.settle(60)
	p.tick()
	l.settle(20)
	return l, p, other
}

// message wraps chunks as the peer would send them.
func (p *peer) message(doc string, m wire.SyncMessage) []byte {
	p.l.t.Helper()
	b, err := wire.Encode(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(doc), Data: m.Encode()})
	if err != nil {
		p.l.t.Skip("longer than a frame can be")
	}
	return b
}

func (p *peer) chunks(doc string, chunks ...[]byte) []byte {
	chunks = slices.DeleteFunc(chunks, func(c []byte) bool { return len(c) < 10 }) // what no frame may carry
	return p.message(doc, wire.SyncMessage{Heads: p.docs[doc].g.Heads(), Changes: chunks})
}

// deflated is a chunk of type 2 around contents.
func deflated(contents []byte) []byte {
	whole := sealed(1, contents)
	var b bytes.Buffer
	w, _ := flate.NewWriter(&b, flate.DefaultCompression)
	_, _ = w.Write(contents)
	_ = w.Close()
	out := binary.AppendUvarint(append(slices.Clone(whole[:8]), 2), uint64(b.Len()))
	return append(out, b.Bytes()...)
}

// cut takes pieces apart that stand behind two bytes of length each.
func cut(data []byte) [][]byte {
	var out [][]byte
	for len(data) >= 2 && len(out) < 8 {
		n := min(int(binary.LittleEndian.Uint16(data)), len(data)-2)
		out = append(out, data[2:2+n])
		data = data[2+n:]
	}
	return out
}

func joined(pieces ...[]byte) []byte {
	var out []byte
	for _, p := range pieces {
		out = append(binary.LittleEndian.AppendUint16(out, uint16(len(p))), p...)
	}
	return out
}

// frames turns a fuzzed input into what the peer sends.
func (p *peer) frames(way int, doc string, data []byte) [][]byte {
	switch way {
	case asFrames:
		return cut(data)
	case asPayload:
		b, err := wire.Encode(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(doc), Data: data})
		if err != nil {
			return nil
		}
		return [][]byte{b}
	case asChunk:
		return [][]byte{p.chunks(doc, data)}
	case asContents:
		return [][]byte{p.chunks(doc, sealed(1, data))}
	case asDeflated:
		return [][]byte{p.chunks(doc, deflated(data))}
	case asEntry:
		key := string(p.l.entryID(noon))
		if e, err := logbook.ParseEntry(data); err == nil {
			key = string(e.ID)
		}
		c := p.next(doc, change.Op{Key: key, Action: change.Set, Value: change.String(string(data))})
		if change.Encode(c) != nil {
			return nil
		}
		return [][]byte{p.chunks(doc, c.Bytes)}
	}
	good := p.next(doc, p.set(p.entry(logbook.Tick)))
	bundle := [][]byte{p.encoded(good)}
	for _, piece := range cut(data) {
		bundle = append(bundle, sealed(1, piece))
	}
	p.restart()
	beside := p.next(doc, p.set(p.entry(logbook.Tick)))
	return [][]byte{p.chunks(doc, append(bundle, p.encoded(beside))...)}
}

// FuzzFrame sends what the fuzzer makes to the whole machine, from a peer that
// has joined. Whatever it is: the machine answers with a bounded number of
// frames, the other peer and its work do not notice, all that is stored can be
// read and is of whom it says, and the same events give the same effects.
func FuzzFrame(f *testing.F) {
	_, p, _ := stage(f, true)
	for _, doc := range []string{november, "plan"} {
		whole := p.message(doc, wire.SyncMessage{Heads: p.docs[doc].g.Heads(), Have: []wire.Have{{}}})
		f.Add(uint8(asFrames), doc == "plan", joined(whole))
		f.Add(uint8(asPayload), doc == "plan", wire.SyncMessage{Need: p.docs[doc].g.Heads(),
			Have: []wire.Have{{Bloom: wire.NewBloom(p.docs[doc].g.Heads())}}}.Encode())
		for n := range p.docs[doc].g.InOrder() {
			f.Add(uint8(asChunk), doc == "plan", n.Bytes)
		}
	}
	tick := p.encoded(p.next(november, p.set(p.entry(logbook.Tick))))
	edit := p.encoded(p.next("plan", p.field(f, "site", "", "manual_after", change.Int(31))))
	cast, err := wire.Encode(wire.Ephemeral{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(november), SessionID: "s", Count: 1, Data: []byte{0xa0}})
	if err != nil {
		f.Fatal(err)
	}
	again, err := wire.Encode(wire.Join{SenderID: p.sender})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(uint8(asFrames), false, joined(cast, again))
	f.Add(uint8(asFrames), false, joined(p.chunks(november, tick), p.chunks("plan", edit), cast))
	for _, way := range []int{asContents, asDeflated, asBundle} {
		wrap := func(b []byte) []byte {
			if way == asBundle {
				return joined(b, b)
			}
			return b
		}
		f.Add(uint8(way), false, wrap(body(tick)))
		f.Add(uint8(way), true, wrap(body(edit)))
	}
	e := p.entry(logbook.Note)
	raw, err := e.Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(uint8(asEntry), false, raw)
	f.Add(uint8(asEntry), true, raw)

	f.Fuzz(func(t *testing.T, way uint8, plan bool, data []byte) {
		doc := november
		if plan {
			doc = "plan"
		}
		l, p, other := stage(t, way >= 128)
		sent := p.frames(int(way%128)%ways, doc, data)
		before := l.frames
		for _, b := range sent {
			l.post(hub.Frame{Conn: p.conn, Bytes: b})
		}
		l.settle(200)
		if n := l.frames - before; n > 40*len(sent)+40 {
			t.Fatalf("%d frames for %d", n, len(sent))
		}
		if other.closed != nil || other.conn == 0 {
			t.Fatal("the other peer was closed")
		}
		sum := sha256.Sum256(data) // an id that the input can't have taken
		l.ids = binary.LittleEndian.Uint64(sum[:])
		id := other.tick()
		l.settle(60)
		for name, e := range l.stored(november) {
			if name != string(e.ID) || e.Dev != p.author.Device && e.Dev != other.author.Device && e.Dev != logbook.Server {
				t.Fatalf("stored under %q: %+v", name, e)
			}
		}
		if l.stored(november)[id] == nil {
			t.Fatal("the other peer's work is stopped")
		}
		l.wantSame(november, other)
		l.planReads()
		if len(l.troubles) > 0 {
			t.Fatal(l.troubles)
		}
		twin, err := hub.NewSite(config(0))
		if err != nil {
			t.Fatal(err)
		}
		for i, ev := range l.trace {
			if render(twin.Step(ev, l.times[i])) != render(l.said[i]) {
				t.Fatalf("event %d gives other effects the second time", i)
			}
		}
	})
}

// planReads holds the stored plan to what a projection asks of it.
func (l *lab) planReads() {
	l.t.Helper()
	changes, _, err := l.mem.Load(context.Background(), yard, "plan")
	if err != nil {
		l.t.Fatal(err)
	}
	plan := fold.New()
	for _, row := range changes {
		c, err := change.Decode(row.Bytes, change.DefaultLimits)
		if err != nil || sha256.Sum256(row.Bytes[8:]) != row.Hash {
			l.t.Fatalf("stored what cannot be read: %v", err)
		}
		if err := plan.Apply(c); err != nil {
			l.t.Fatalf("stored what the fold refuses: %v", err)
		}
	}
	if got, err := logbook.ParsePlan(plan.JSON()); err != nil || len(got.Problems) > 0 && strings.Contains(got.Problems[0].Detail, "\n") {
		l.t.Fatalf("the plan does not read: %v", err)
	}
}
