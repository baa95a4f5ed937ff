package hub_test

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

// parts is the contents of a chunk taken apart, each part open to being wrong.
type parts struct {
	deps             [][]byte
	actor            []byte
	seq, start, time []byte
	message          []byte
	others           [][]byte
	cols             []column
}

type column struct {
	spec byte
	data []byte
}

const actions, values, valueTypes, predCounts = 66, 87, 86, 112

func uleb(v uint64) []byte { return binary.AppendUvarint(nil, v) }

func prefixed(b []byte) []byte { return append(uleb(uint64(len(b))), b...) }

// apart takes the contents of a plain change apart. All its counts are below
// 128 but the columns' lengths.
func (p *peer) apart(c *change.Change) *parts {
	p.l.t.Helper()
	b := body(p.encoded(c))
	take := func(n int) []byte {
		out := b[:n]
		b = b[n:]
		return out
	}
	number := func() []byte {
		n := 0
		for b[n]&0x80 != 0 {
			n++
		}
		return take(n + 1)
	}
	length := func() int {
		v, _ := binary.Uvarint(number())
		return int(v)
	}
	x := &parts{}
	for range length() {
		x.deps = append(x.deps, take(32))
	}
	x.actor = take(length())
	x.seq, x.start, x.time = number(), number(), number()
	x.message = take(length())
	for range length() {
		x.others = append(x.others, take(length()))
	}
	var lengths []int
	for range length() {
		x.cols = append(x.cols, column{spec: take(1)[0]})
		lengths = append(lengths, length())
	}
	for i, n := range lengths {
		x.cols[i].data = take(n)
	}
	if len(b) > 0 || !bytes.Equal(x.contents(), body(c.Bytes)) {
		p.l.t.Fatal("the change was not taken apart rightly")
	}
	return x
}

func (x *parts) contents() []byte {
	b := uleb(uint64(len(x.deps)))
	for _, d := range x.deps {
		b = append(b, d...)
	}
	b = slices.Concat(b, prefixed(x.actor), x.seq, x.start, x.time, prefixed(x.message), uleb(uint64(len(x.others))))
	for _, o := range x.others {
		b = append(b, prefixed(o)...)
	}
	b = append(b, uleb(uint64(len(x.cols)))...)
	for _, c := range x.cols {
		b = append(append(b, c.spec), uleb(uint64(len(c.data)))...)
	}
	for _, c := range x.cols {
		b = append(b, c.data...)
	}
	return b
}

func (x *parts) set(spec byte, data ...byte) {
	for i := range x.cols {
		if x.cols[i].spec == spec {
			x.cols[i].data = data
			return
		}
	}
	x.cols = append(x.cols, column{spec, data})
	slices.SortStableFunc(x.cols, func(a, b column) int { return int(a.spec) - int(b.spec) })
}

// mangled puts a tick into the copy whose change was taken apart and put
// together wrongly, with a right checksum.
func mangled(do func(x *parts)) func(p, other *peer) {
	return func(p, _ *peer) {
		x := p.apart(p.next(november, p.set(p.entry(logbook.Tick))))
		do(x)
		p.forge(sealed(1, x.contents()))
	}
}

// squeezed is the tick deflated, its stream then changed.
func squeezed(do func(stream []byte) []byte) func(p, other *peer) {
	return func(p, _ *peer) {
		contents := body(p.encoded(p.next(november, p.set(p.entry(logbook.Tick)))))
		var b bytes.Buffer
		w, _ := flate.NewWriter(&b, 9)
		_, _ = w.Write(contents)
		_ = w.Close()
		stream := do(b.Bytes())
		out := append(slices.Clone(sealed(1, contents)[:8]), 2)
		p.forge(slices.Concat(out, uleb(uint64(len(stream))), stream))
	}
}

// scalar puts a value that is no string where an entry belongs.
func scalar(v change.Value) func(p, other *peer) {
	return set1(func(p, _ *peer) change.Op {
		return change.Op{Key: string(p.l.entryID(noon)), Action: change.Set, Value: v}
	})
}

// forms are changes in a form that no encoder writes, values that a log does
// not hold, and entries that are none. Each of them brings a client of one
// kind or another to a halt, or would hold up those who come after.
var forms = []hostile{
	{"a dependency named twice", admit.CodeDecode, mangled(func(x *parts) { x.deps = append(x.deps, x.deps[0]) })},
	{"dependencies out of order", admit.CodeDecode, mangled(func(x *parts) { x.deps = [][]byte{bytes.Repeat([]byte{2}, 32), bytes.Repeat([]byte{1}, 32)} })},
	{"more dependencies than bytes", admit.CodeDecode, func(p, _ *peer) {
		p.forge(sealed(1, append([]byte{0x7f}, make([]byte, 200)...)))
	}},
	{"more dependencies than a change may have", admit.CodeSize, mangled(func(x *parts) {
		for i := range 257 {
			x.deps = append(x.deps, binary.BigEndian.AppendUint32(make([]byte, 28), uint32(i)))
		}
	})},
	{"no actor", admit.CodeDecode, mangled(func(x *parts) { x.actor = nil })},
	{"an actor of 65 bytes", admit.CodeDecode, mangled(func(x *parts) { x.actor = bytes.Repeat([]byte{7}, 65) })},
	{"an actor that is listed and not used", admit.CodeDecode, mangled(func(x *parts) { x.others = [][]byte{{1, 2}} })},
	{"its own actor among the others", admit.CodeDecode, mangled(func(x *parts) { x.others = [][]byte{x.actor} })},
	{"seq 0", admit.CodeSeq, mangled(func(x *parts) { x.seq = []byte{0} })},
	{"seq above 32 bits", admit.CodeSeq, mangled(func(x *parts) { x.seq = uleb(1 << 33) })},
	{"startOp 0", admit.CodeStartOp, mangled(func(x *parts) { x.start = []byte{0} })},
	{"startOp of 64 bits", admit.CodeStartOp, mangled(func(x *parts) { x.start = uleb(math.MaxUint64) })},
	{"a number in a longer form", admit.CodeDecode, mangled(func(x *parts) { x.seq = []byte{x.seq[0] | 0x80, 0} })},
	{"a number of 70 bits", admit.CodeDecode, mangled(func(x *parts) { x.seq = append(bytes.Repeat([]byte{0xff}, 9), 0x7f) })},
	{"a time that JavaScript cannot hold", admit.CodeDecode, mangled(func(x *parts) { x.time = append(bytes.Repeat([]byte{0x80}, 7), 0x10) })},
	{"a message that is not UTF-8", admit.CodeDecode, mangled(func(x *parts) { x.message = []byte{0xff, 0xfe} })},
	{"a column deflated", admit.CodeDecode, mangled(func(x *parts) { x.cols[0].spec |= 8 })},
	{"a column nobody knows", admit.CodeDecode, mangled(func(x *parts) { x.set(0x77, 1) })},
	{"columns out of order", admit.CodeDecode, mangled(func(x *parts) { x.cols[0], x.cols[1] = x.cols[1], x.cols[0] })},
	{"a column twice", admit.CodeDecode, mangled(func(x *parts) { x.cols = slices.Insert(x.cols, 1, x.cols[0]) })},
	{"no columns", admit.CodeEntry, mangled(func(x *parts) { x.cols = nil })},
	{"sixty operations in two bytes", admit.CodeSize, mangled(func(x *parts) { x.set(actions, 60, 1) })},
	{"thirty predecessors in two bytes", admit.CodeSize, mangled(func(x *parts) { x.set(predCounts, 0x7f, 30) })},
	{"2^62 operations", admit.CodeSize, mangled(func(x *parts) { x.set(actions, append(append(bytes.Repeat([]byte{0x80}, 8), 0xc0, 0), 1)...) })},
	{"2^32 predecessors", admit.CodeSize, mangled(func(x *parts) { x.set(predCounts, 0x7f, 0x80, 0x80, 0x80, 0x80, 0x10) })},
	{"an action nobody knows", admit.CodeDecode, mangled(func(x *parts) { x.set(actions, 0x7f, 9) })},
	{"an empty run", admit.CodeDecode, mangled(func(x *parts) { x.set(actions, 0, 0) })},
	{"a value longer than its column", admit.CodeDecode, mangled(func(x *parts) { x.set(valueTypes, append([]byte{0x7f}, uleb(1<<40|6)...)...) })},
	{"value bytes left over", admit.CodeDecode, mangled(func(x *parts) { x.set(valueTypes, 0x7f, 0x16) })},
	{"a string that is not UTF-8", admit.CodeDecode, mangled(func(x *parts) { x.set(valueTypes, 0x7f, 0x26); x.set(values, 0xc3, 0x28) })},
	{"a deflated stream cut off", admit.CodeDecode, squeezed(func(s []byte) []byte { return s[:len(s)-3] })},
	{"bytes after a deflated stream", admit.CodeDecode, squeezed(func(s []byte) []byte { return append(s, 0, 0) })},
	{"a deflated stream of chance", admit.CodeDecode, squeezed(func(s []byte) []byte { return bytes.Repeat([]byte{0xa7}, 40) })},
	{"a change and half another in one chunk", admit.CodeDecode, func(p, _ *peer) {
		b := p.encoded(p.next(november, p.set(p.entry(logbook.Tick))))
		p.forge(append(slices.Clone(b), b[:40]...))
	}},

	{"NaN", admit.CodeEntry, scalar(change.Float(math.NaN()))},
	{"null", admit.CodeEntry, scalar(change.Value{})},
	{"true", admit.CodeEntry, scalar(change.Bool(true))},
	{"bytes", admit.CodeEntry, scalar(change.Bytes([]byte("{}")))},
	{"a counter", admit.CodeEntry, scalar(change.Counter(1))},
	{"an instant", admit.CodeEntry, scalar(change.Timestamp(noon))},
	{"2^64-1", admit.CodeEntry, scalar(change.Uint(math.MaxUint64))},
	{"a value of a later type", admit.CodeEntry, scalar(change.Value{Kind: change.KindUnknown, Code: 12, Bytes: []byte("x")})},
	{"an empty string", admit.CodeEntry, scalar(change.String(""))},
	{"a list", admit.CodeObject, set1(func(p, _ *peer) change.Op {
		return change.Op{Key: string(p.l.entryID(noon)), Action: change.MakeList}
	})},
	{"a table", admit.CodeObject, set1(func(p, _ *peer) change.Op {
		return change.Op{Key: string(p.l.entryID(noon)), Action: change.MakeTable}
	})},
	{"an increment", admit.CodeObject, set1(func(p, _ *peer) change.Op {
		id, key := firstOp(p)
		return change.Op{Key: key, Action: change.Increment, Value: change.Int(1), Pred: []change.OpID{id}}
	})},
	{"a mark", admit.CodeObject, func(p, _ *peer) {
		c := p.next(november, change.Op{Key: string(p.l.entryID(noon)), Action: change.MakeText})
		c.Ops = append(c.Ops, change.Op{Obj: change.OpID{Counter: c.StartOp, Actor: c.Actor}, IsElem: true, Insert: true,
			Action: change.Mark, MarkNamed: true, MarkName: "bold", Value: change.Bool(true)})
		p.put(november, c)
	}},
	{"an entry inside a map of its own", admit.CodeObject, func(p, _ *peer) {
		c := p.next(november, change.Op{Key: string(p.l.entryID(noon)), Action: change.MakeMap})
		op := p.set(p.entry(logbook.Tick))
		op.Obj = change.OpID{Counter: c.StartOp, Actor: c.Actor}
		c.Ops = append(c.Ops, op)
		p.put(november, c)
	}},
	{"65 entries in one change", admit.CodeSize, func(p, _ *peer) {
		var ops []change.Op
		for range admit.MaxEntries + 1 {
			ops = append(ops, p.set(p.entry(logbook.Tick)))
		}
		p.put(november, p.next(november, ops...))
	}},
	{"a good entry and a bad one in one change", admit.CodeRights, func(p, _ *peer) {
		p.put(november, p.next(november, p.set(p.entry(logbook.Tick)),
			p.set(p.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no need" }))))
	}},

	{"a field twice", admit.CodeEntry, rewritten(`"v":1`, `"v":1,"v":1`)},
	{"NaN in the text", admit.CodeEntry, rewritten(`"v":1`, `"v":NaN`)},
	{"1e999 in the text", admit.CodeEntry, rewritten(`"v":1`, `"v":1,"zz":1e999`)},
	{"minus zero in the text", admit.CodeEntry, rewritten(`"v":1`, `"v":1,"zz":-0`)},
	{"half a surrogate in the text", admit.CodeEntry, rewritten(`"v":1`, `"v":1,"zz":"\ud800"`)},
	{"a byte order mark", admit.CodeEntry, rewritten(`{"at"`, "\ufeff"+`{"at"`)},
	{"text after the text", admit.CodeEntry, rewritten(`"v":1}`, `"v":1}{}`)},
	{"deep text", admit.CodeEntry, rewritten(`"v":1`, `"v":1,"zz":`+strings.Repeat("[", 2000)+strings.Repeat("]", 2000))},
	{"a list for an entry", admit.CodeEntry, rewritten(`{`, `[{`)},
	{"an instant that is no whole number", admit.CodeEntry, rewritten(`"at":`, `"at":0.5`)},
	{"a later version", admit.CodeEntry, rewritten(`"v":1`, `"v":2`)},
	{"an id in small letters", admit.CodeEntry, set1(func(p, _ *peer) change.Op {
		op := p.set(p.entry(logbook.Tick))
		small := strings.ToLower(op.Key)
		op.Value.Str = strings.Replace(op.Value.Str, op.Key, small, 1)
		op.Key = small
		return op
	})},
	{"an id beyond the years", admit.CodeEntry, set1(func(p, _ *peer) change.Op {
		op := p.set(p.entry(logbook.Tick))
		far := "7ZZZZZZZZZ" + op.Key[10:]
		op.Value.Str = strings.Replace(op.Value.Str, op.Key, far, 1)
		op.Key = far
		return op
	})},
	{"an entry that voids itself", admit.CodeEntry, set1(func(p, _ *peer) change.Op {
		e := p.entry(logbook.Void, func(e *logbook.Entry) { e.Of = p.l.entryID(noon - 1000) })
		op := p.set(e)
		op.Value.Str = strings.Replace(op.Value.Str, `"of":"`+string(e.Of), `"of":"`+string(e.ID), 1)
		return op
	})},
	{"an entry that replaces a later one", admit.CodeEntry, set1(func(p, _ *peer) change.Op {
		e := p.entry(logbook.Tick, func(e *logbook.Entry) { e.Replaces = p.l.entryID(noon - 1000) })
		op := p.set(e)
		op.Value.Str = strings.Replace(op.Value.Str, `"replaces":"`+string(e.Replaces), `"replaces":"`+string(p.l.entryID(noon+1000)), 1)
		return op
	})},

	{"the server's name on it, by an actor of the device", admit.CodeActor, func(p, _ *peer) {
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.Message = admit.ServerMessage
		p.put(november, c)
	}},
	{"the server's actor", admit.CodeActor, func(p, _ *peer) {
		// The server writes in another month, so that this one stays as it was.
		old, err := logbook.Entry{ID: p.l.entryID(noon - 20*24*3600_000), Kind: logbook.Clock, At: noon, By: logbook.Server, Dev: logbook.Server,
			Device: p.author.Device, Offset: 5}.Encode()
		if err != nil {
			p.l.t.Fatal(err)
		}
		p.l.post(hub.Write{Token: 1, Doc: october, Entries: [][]byte{old}})
		p.l.settle(10)
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.Actor = config(0).Actor
		c.Seq = 1
		p.put(november, c)
	}},
	{"a baseline by the crew", admit.CodeRights, entryOp(logbook.Reading, func(_, _ *peer, e *logbook.Entry) {
		e.Check, e.HasValue, e.Value, e.Unit, e.Baseline = "pressure", true, 6_000_000, "bar", true
	})},
}

// TestHostileForms: as TestHostile, for what no encoder writes.
func TestHostileForms(t *testing.T) {
	for _, h := range forms {
		t.Run(h.name, func(t *testing.T) { h.run(t, true) })
	}
	t.Logf("%d kinds here, %d in TestHostile", len(forms), len(hostiles))
}

// badBytes are frames that end the connection that brings them and nothing
// else, in CBOR written by hand.
var badBytes = []struct {
	name  string
	frame string
	code  int
}{
	{"a list", "\x80", hub.CloseProtocol},
	{"a number", "\x18\x2a", hub.CloseProtocol},
	{"null", "\xf6", hub.CloseProtocol},
	{"a tagged map", "\xc1\xa1\x64type\x64sync", hub.CloseProtocol},
	{"a key twice", "\xa2\x64type\x64sync\x64type\x64sync", hub.CloseProtocol},
	{"a map of unknown length", "\xbf\x64type\x64sync\xff", hub.CloseProtocol},
	{"text of unknown length", "\xa1\x64type\x7f\x64sync\xff", hub.CloseProtocol},
	{"bytes of unknown length", "\xa2\x64type\x64sync\x64data\x5f\x41\x42\xff", hub.CloseProtocol},
	{"a number for a key", "\xa1\x01\x02", hub.CloseProtocol},
	{"bytes for a key", "\xa1\x44type\x64sync", hub.CloseProtocol},
	{"a key that is not UTF-8", "\xa1\x62\xff\xfe\x01", hub.CloseProtocol},
	{"2^32 entries", "\xba\xff\xff\xff\xff\x64type\x64sync", hub.CloseProtocol},
	{"2^64 bytes of data", "\xa2\x64type\x64sync\x64data\x5b\xff\xff\xff\xff\xff\xff\xff\xff", hub.CloseProtocol},
	{"2^63 elements", "\xa1\x64type\x9b\x80\x00\x00\x00\x00\x00\x00\x00", hub.CloseProtocol},
	{"a thousand levels", "\xa1\x64type" + strings.Repeat("\x81", 1000) + "\x01", hub.CloseProtocol},
	{"a thousand maps in one another", "\xa1\x61a" + strings.Repeat("\xa1\x61a", 1000) + "\x01", hub.CloseProtocol},
	{"a reserved length", "\xa1\x64type\x7c", hub.CloseProtocol},
	{"a simple value that is none", "\xa1\x64type\xf8\x10", hub.CloseProtocol},
	{"a break on its own", "\xff", hub.CloseProtocol},
	{"no type", "\xa1\x64data\x41\x42", hub.CloseProtocol},
	{"a type of NaN", "\xa1\x64type\xf9\x7e\x00", hub.CloseProtocol},
	{"a join after the join", "\xa2\x64type\x64join\x68senderId\x62p1", hub.CloseProtocol},
	{"a count of NaN", "\xa7\x64type\x69ephemeral\x68senderId\x61a\x68targetId\x63hub\x6adocumentId\x61d\x69sessionId\x61s\x65count\xf9\x7e\x00\x64data\x41\xa0", hub.CloseProtocol},
	{"a sync without data", "\xa4\x64type\x64sync\x68senderId\x61a\x68targetId\x63hub\x6adocumentId\x61d", hub.CloseProtocol},
	{"data that is text", "\xa5\x64type\x64sync\x68senderId\x61a\x68targetId\x63hub\x6adocumentId\x61d\x64data\x61B", hub.CloseProtocol},
}

// badPayloads are sync payloads of the same kind.
var badPayloads = []struct {
	name    string
	payload []byte
}{
	{"2^63 heads", append([]byte{0x42}, uleb(1<<63)...)},
	{"more heads than a document can have", append(append([]byte{0x42}, uleb(1025)...), make([]byte, 1025*32+3)...)},
	{"more wishes than are taken", append(append([]byte{0x42, 0}, uleb(8193)...), make([]byte, 8193*32+2)...)},
	{"three filters", []byte{0x42, 0, 0, 3, 0, 0, 0, 0, 0, 0, 0}},
	{"2^63 filters", append([]byte{0x42, 0, 0}, uleb(1<<63)...)},
	{"a filter of 2^61 entries of 8 bits", append(append([]byte{0x42, 0, 0, 1, 0, 11}, uleb(1<<61)...), 8, 7, 0)},
	{"a filter of many entries in few bytes", []byte{0x42, 0, 0, 1, 0, 6, 0xff, 0xff, 0x3f, 10, 7, 1, 0}},
	{"a filter of 0 bits an entry", []byte{0x42, 0, 0, 1, 0, 3, 5, 0, 7, 0}},
	{"a filter of 65 bits an entry", append([]byte{0x42, 0, 0, 1, 0, 12, 1, 65, 7}, make([]byte, 10)...)},
	{"a filter of 0 probes", []byte{0x42, 0, 0, 1, 0, 5, 1, 10, 0, 0, 0, 0}},
	{"a filter of 255 probes", []byte{0x42, 0, 0, 1, 0, 6, 1, 10, 0xff, 0x01, 0, 0, 0}},
	{"a filter larger than any document needs", slices.Concat([]byte{0x42, 0, 0, 1, 0}, uleb(3+2+540_000), uleb(432_000), []byte{10, 7}, make([]byte, 540_001))},
	{"a filter of no entries", []byte{0x42, 0, 0, 1, 0, 3, 0, 10, 7, 0}},
	{"2^63 changes", append([]byte{0x42, 0, 0, 0}, uleb(1<<63)...)},
	{"a change of 2^63 bytes", append([]byte{0x42, 0, 0, 0, 1}, uleb(1<<63)...)},
	{"a number in a longer form", []byte{0x42, 0x80, 0, 0, 0, 0}},
	{"bytes after the end", append([]byte{0x42, 0, 0, 0, 0, 1, 1}, 7)},
	{"a document instead of a message", []byte{0x85, 0x6f, 0x4a, 0x83, 0, 0, 0, 0, 0, 1, 0}},
}

// TestHostileFrames: whatever closes a connection says so once, touches nobody
// else, and the device comes back and goes on with its work.
func TestHostileFrames(t *testing.T) {
	type row struct {
		name  string
		frame func(p *peer) []byte
		code  int
	}
	var rows []row
	for _, b := range badBytes {
		rows = append(rows, row{b.name, func(*peer) []byte { return []byte(b.frame) }, b.code})
	}
	for _, b := range badPayloads {
		rows = append(rows, row{b.name, func(p *peer) []byte {
			f, err := wire.Encode(wire.Sync{SenderID: p.sender, TargetID: hubID, DocumentID: documentID(november), Data: b.payload})
			if err != nil {
				t.Fatal(err)
			}
			return f
		}, hub.CloseProtocol})
	}
	l := newLab(t)
	other := l.peer(l.enrol(2, "crew"))
	other.connect()
	p := l.peer(l.enrol(1, "crew"))
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			p.errors = nil
			p.connect()
			p.open(november)
			l.settle(40)
			heard := 0
			if d := other.docs[november]; d != nil {
				heard = d.heard
			}
			l.post(hub.Frame{Conn: p.conn, Bytes: r.frame(p)})
			l.settle(10)
			p.wantClosed(r.code)
			if len(p.errors) != 1 || len(p.errors[0]) < 10 || len(p.errors[0]) > 200 {
				t.Errorf("told %q", p.errors)
			}
			if other.closed != nil || other.docs[november] != nil && other.docs[november].heard != heard {
				t.Error("the other peer noticed")
			}
			id := p.tick() // offline; it goes when the device is back
			p.connect()
			l.settle(40)
			if l.stored(november)[id] == nil {
				t.Error("the rest of its work does not go through")
			}
			other.open(november)
			l.settle(40)
			if !other.has(november, id) {
				t.Error("and does not reach the others")
			}
			p.disconnect()
			l.now += 1000
			l.settle(10)
		})
	}
	t.Logf("%d kinds of frame and payload", len(rows))
	if len(l.troubles) > 0 {
		t.Error(l.troubles)
	}
}
