package change_test

import (
	"bytes"
	"compress/flate"
	"errors"
	"slices"
	"testing"

	"gatewright/sync/change"
)

type rawColumn struct {
	spec uint64
	data []byte
}

// raw is a change before it is written, each part open to being wrong.
type raw struct {
	deps    [][]byte
	actor   []byte
	seq     []byte
	start   []byte
	time    []byte
	message []byte
	others  [][]byte
	cols    []rawColumn
	extra   []byte
}

func (r *raw) content() []byte {
	prefixed := func(b, s []byte) []byte { return append(append(b, uleb(uint64(len(s)))...), s...) }
	b := uleb(uint64(len(r.deps)))
	for _, d := range r.deps {
		b = append(b, d...)
	}
	b = prefixed(b, r.actor)
	b = slices.Concat(b, r.seq, r.start, r.time)
	b = prefixed(b, r.message)
	b = append(b, uleb(uint64(len(r.others)))...)
	for _, a := range r.others {
		b = prefixed(b, a)
	}
	b = append(b, uleb(uint64(len(r.cols)))...)
	for _, c := range r.cols {
		b = append(append(b, uleb(c.spec)...), uleb(uint64(len(c.data)))...)
	}
	for _, c := range r.cols {
		b = append(b, c.data...)
	}
	return append(b, r.extra...)
}

func (r *raw) set(spec uint64, data ...byte) {
	for i := range r.cols {
		if r.cols[i].spec == spec {
			r.cols[i].data = data
			return
		}
	}
	r.cols = append(r.cols, rawColumn{spec, data})
	slices.SortStableFunc(r.cols, func(a, b rawColumn) int { return int(a.spec) - int(b.spec) })
}

func (r *raw) drop(spec uint64) {
	r.cols = slices.DeleteFunc(r.cols, func(c rawColumn) bool { return c.spec == spec })
}

func hash(b byte) []byte { return bytes.Repeat([]byte{b}, 32) }

// base is two operations on the root: "a" = "x" over 2@bb and a delete of "b"
// over 3@cc.
func base() *raw {
	return &raw{
		deps: [][]byte{hash(1), hash(2)}, actor: []byte{0xaa}, seq: []byte{2}, start: []byte{9}, time: []byte{0},
		others: [][]byte{{0xbb}, {0xcc}},
		cols: []rawColumn{
			{21, []byte{0x7e, 1, 'a', 1, 'b'}},
			{52, []byte{2}},
			{66, []byte{0x7e, 1, 3}},
			{86, []byte{0x7e, 0x16, 0}},
			{87, []byte{'x'}},
			{112, []byte{2, 1}},
			{113, []byte{0x7e, 1, 2}},
			{115, []byte{0x7e, 2, 1}},
		},
	}
}

// listBase makes a list and puts two elements into it.
func listBase() *raw {
	return &raw{
		actor: []byte{0xaa}, seq: []byte{1}, start: []byte{1}, time: []byte{0},
		cols: []rawColumn{
			{1, []byte{0, 1, 2, 0}},
			{2, []byte{0, 1, 2, 1}},
			{17, []byte{0, 2, 0x7f, 0}},
			{19, []byte{0, 1, 0x7e, 0, 2}},
			{21, []byte{0x7f, 1, 'l', 0, 2}},
			{52, []byte{1, 2}},
			{66, []byte{0x7f, 2, 2, 1}},
			{86, []byte{0x7f, 0, 2, 0x13}},
			{87, []byte{1, 2}},
			{112, []byte{3, 0}},
		},
	}
}

func TestHostile(t *testing.T) {
	for _, b := range []*raw{base(), listBase()} {
		if _, err := change.Decode(seal(b.content()), change.DefaultLimits); err != nil {
			t.Fatalf("the base of the mutations is refused: %v", err)
		}
	}
	for _, x := range []struct {
		name   string
		mutate func(*raw)
		code   string
	}{
		{"dependencies unsorted", func(r *raw) { r.deps = [][]byte{hash(2), hash(1)} }, "deps"},
		{"dependency twice", func(r *raw) { r.deps = [][]byte{hash(1), hash(1)} }, "deps"},
		{"dependency cut", func(r *raw) { r.deps = [][]byte{hash(1), {1}} }, ""},
		{"no dependency of a second change", func(r *raw) { r.deps = nil }, "deps"},
		{"no actor", func(r *raw) { r.actor = nil }, "actor"},
		{"long actor", func(r *raw) { r.actor = bytes.Repeat([]byte{0xaa}, 65) }, "actor"},
		{"seq 0", func(r *raw) { r.seq = []byte{0} }, "seq"},
		{"seq above 32 bits", func(r *raw) { r.seq = []byte{0x80, 0x80, 0x80, 0x80, 0x10} }, "seq"},
		{"seq in a longer form", func(r *raw) { r.seq = []byte{0x82, 0} }, "number"},
		{"startOp 0", func(r *raw) { r.start = []byte{0} }, "start"},
		{"startOp near 32 bits", func(r *raw) { r.start = []byte{0xfe, 0xff, 0xff, 0xff, 0x0f} }, "start"},
		{"startOp of 64 bits", func(r *raw) { r.start = append(bytes.Repeat([]byte{0xff}, 9), 1) }, "start"},
		{"startOp above 64 bits", func(r *raw) { r.start = append(bytes.Repeat([]byte{0xff}, 9), 2) }, "number"},
		{"time in a longer form", func(r *raw) { r.time = []byte{0x80, 0} }, "number"},
		{"negative time in a longer form", func(r *raw) { r.time = []byte{0xff, 0x7f} }, "number"},
		{"time above 64 bits", func(r *raw) { r.time = append(bytes.Repeat([]byte{0x80}, 9), 1) }, "number"},
		{"time of 2^53", func(r *raw) { r.time = append(bytes.Repeat([]byte{0x80}, 7), 0x10) }, "number"},
		{"time of -2^53", func(r *raw) { r.time = append(bytes.Repeat([]byte{0x80}, 7), 0x70) }, "number"},
		{"message not UTF-8", func(r *raw) { r.message = []byte{0xff} }, "text"},
		{"actors unsorted", func(r *raw) { r.others = [][]byte{{0xcc}, {0xbb}} }, "actor"},
		{"actor twice", func(r *raw) { r.others = [][]byte{{0xbb}, {0xbb}} }, "actor"},
		{"own actor among the others", func(r *raw) { r.others = [][]byte{{0xaa}, {0xbb}} }, "actor"},
		{"actor not used", func(r *raw) { r.others = [][]byte{{0xbb}, {0xcc}, {0xdd}} }, "actor"},
		{"actor index out of range", func(r *raw) { r.set(113, 0x7e, 1, 3) }, "actor"},
		{"columns out of order", func(r *raw) { r.cols[0], r.cols[1] = r.cols[1], r.cols[0] }, "column"},
		{"column twice", func(r *raw) { r.cols = slices.Insert(r.cols, 1, r.cols[0]) }, "column"},
		{"column unknown", func(r *raw) { r.set(200, 2, 1) }, "column"},
		{"column deflated", func(r *raw) { r.cols[0].spec |= 8 }, "column"},
		{"column empty", func(r *raw) { r.cols[4].data = nil; r.set(86, 0x7e, 6, 0) }, "column"},
		{"column cut", func(r *raw) { r.cols[7].data = r.cols[7].data[:2] }, ""},
		{"no insert column", func(r *raw) { r.drop(52) }, "column"},
		{"no value types", func(r *raw) { r.drop(86) }, "column"},
		{"no predecessor counts", func(r *raw) { r.drop(112) }, "column"},
		{"no actions", func(r *raw) { r.drop(66) }, "count"},
		{"action null", func(r *raw) { r.set(66, 0, 2) }, "action"},
		{"action unknown", func(r *raw) { r.set(66, 0x7e, 1, 8) }, "action"},
		{"more operations than the limit", func(r *raw) { r.set(66, 0x80, 0x80, 0x80, 0x80, 0x10, 1) }, "size"},
		{"key column short", func(r *raw) { r.set(21, 0x7f, 1, 'a') }, "count"},
		{"key column long", func(r *raw) { r.set(21, 0x7d, 1, 'a', 1, 'b', 1, 'c') }, "count"},
		{"key column goes on", func(r *raw) { r.set(21, 0x7e, 1, 'a', 1, 'b', 2, 1, 'c') }, "count"},
		{"key not UTF-8", func(r *raw) { r.set(21, 0x7e, 1, 0xff, 1, 'b') }, "text"},
		{"repetition of one", func(r *raw) { r.set(21, 1, 1, 'a', 0x7f, 1, 'b') }, "run"},
		{"literals in a row", func(r *raw) { r.set(21, 0x7f, 1, 'a', 0x7f, 1, 'b') }, "run"},
		{"equal values in a literal", func(r *raw) { r.set(113, 0x7e, 1, 1) }, "run"},
		{"null run of zero", func(r *raw) { r.set(21, 0, 0, 0x7e, 1, 'a', 1, 'b') }, "run"},
		{"column of nulls", func(r *raw) { r.set(1, 0, 2) }, "run"},
		{"run of 2^63", func(r *raw) { r.set(21, append(bytes.Repeat([]byte{0x80}, 9), 0x7f)...) }, "count"},
		{"insert column long", func(r *raw) { r.set(52, 3) }, "count"},
		{"insert column short", func(r *raw) { r.set(52, 1) }, "count"},
		{"empty boolean run", func(r *raw) { r.set(52, 1, 0, 1) }, "run"},
		{"expand column of falses", func(r *raw) { r.set(148, 2) }, "column"},
		{"expand without mark", func(r *raw) { r.set(148, 0, 2) }, "action"},
		{"mark's name without mark", func(r *raw) { r.set(165, 2, 1, 'm') }, "action"},
		{"half an object id", func(r *raw) { r.set(2, 2, 1) }, "actor"},
		{"object of the future", func(r *raw) { r.set(1, 2, 0); r.set(2, 2, 60) }, "object"},
		{"object is itself", func(r *raw) { r.set(1, 0x7f, 0, 0, 1); r.set(2, 0x7f, 9, 0, 1) }, "object"},
		{"object is a value", func(r *raw) { r.set(1, 0, 1, 0x7f, 0); r.set(2, 0, 1, 0x7f, 9) }, "object"},
		{"object counter 0", func(r *raw) { r.set(1, 2, 0); r.set(2, 2, 0) }, "number"},
		{"neither key nor element", func(r *raw) { r.set(21, 0x7f, 1, 'a', 0, 1) }, "key"},
		{"both key and element", func(r *raw) { r.set(19, 2, 0) }, "key"},
		{"insert under a key", func(r *raw) { r.set(52, 0, 2) }, "key"},
		{"predecessor twice", func(r *raw) { r.set(112, 0x7e, 2, 1); r.set(113, 2, 1, 0x7f, 2); r.set(115, 0x7d, 2, 0, 1) }, "pred"},
		{"predecessors unsorted", func(r *raw) { r.set(112, 0x7e, 2, 1); r.set(113, 2, 1, 0x7f, 2); r.set(115, 0x7d, 2, 0x7f, 1) }, "pred"},
		{"predecessor is itself", func(r *raw) { r.others = [][]byte{{0xcc}}; r.set(113, 0x7e, 0, 1); r.set(115, 0x7e, 9, 0x7a) }, "pred"},
		{"predecessor is later", func(r *raw) { r.others = [][]byte{{0xcc}}; r.set(113, 0x7e, 0, 1); r.set(115, 0x7e, 10, 0x79) }, "pred"},
		{"predecessor of the future", func(r *raw) { r.set(115, 0x7e, 9, 0x7a) }, "pred"},
		{"predecessor is the other key", func(r *raw) { r.others = [][]byte{{0xbb}}; r.set(113, 0x7e, 1, 0); r.set(115, 0x7e, 2, 7) }, "pred"},
		{"predecessor counter negative", func(r *raw) { r.set(115, 0x7e, 2, 0x7d) }, "number"},
		{"predecessor counter far away", func(r *raw) { r.set(115, append([]byte{0x7f}, append(bytes.Repeat([]byte{0xff}, 9), 0)...)...) }, "number"},
		{"predecessors missing", func(r *raw) { r.drop(113); r.drop(115) }, "pred"},
		{"predecessor counts huge", func(r *raw) { r.set(112, 2, 0xff, 0xff, 0xff, 0xff, 0x0f) }, "size"},
		{"predecessor columns long", func(r *raw) { r.set(112, 0x7e, 1, 0) }, "count"},
		{"delete of nothing", func(r *raw) {
			r.others = [][]byte{{0xbb}}
			r.set(112, 0x7e, 1, 0)
			r.set(113, 0x7f, 1)
			r.set(115, 0x7f, 2)
		}, "pred"},
		{"delete with a value", func(r *raw) { r.set(86, 0x7e, 0x16, 1) }, "value"},
		{"new object with a value", func(r *raw) { r.set(66, 0x7e, 0, 3) }, "value"},
		{"increment of a string", func(r *raw) { r.set(66, 0x7e, 5, 3) }, "value"},
		{"mark under a key", func(r *raw) { r.set(66, 0x7e, 7, 3) }, "action"},
		{"value too long", func(r *raw) { r.set(86, 0x7e, 0x26, 0) }, "value"},
		{"value of 2^60", func(r *raw) { r.set(86, append([]byte{0x7e, 0xf6}, append(bytes.Repeat([]byte{0xff}, 8), 1, 0)...)...) }, "value"},
		{"value bytes left over", func(r *raw) { r.set(87, 'x', 'y') }, "count"},
		{"null with a body", func(r *raw) { r.set(86, 0x7e, 0x10, 0) }, "value"},
		{"boolean with a body", func(r *raw) { r.set(86, 0x7e, 0x12, 0) }, "value"},
		{"integer without body", func(r *raw) { r.set(86, 0x7e, 0x04, 0); r.drop(87) }, "short"},
		{"integer in a longer form", func(r *raw) { r.set(86, 0x7e, 0x23, 0); r.set(87, 0x81, 0) }, "number"},
		{"two integers in one", func(r *raw) { r.set(86, 0x7e, 0x23, 0); r.set(87, 1, 1) }, "value"},
		{"float of one byte", func(r *raw) { r.set(86, 0x7e, 0x15, 0) }, "value"},
		{"string not UTF-8", func(r *raw) { r.set(87, 0xff) }, "text"},
		{"unknown extra bytes", func(r *raw) { r.extra = []byte{2, 0} }, "extra"},
		{"long extra bytes", func(r *raw) { r.extra = bytes.Repeat([]byte{1}, 2000) }, "extra"},
		{"columns without operations", func(r *raw) { r.cols = r.cols[:1] }, "count"},
	} {
		r := base()
		x.mutate(r)
		refused(t, x.name, seal(r.content()), x.code)
	}
	for _, x := range []struct {
		name   string
		mutate func(*raw)
		code   string
	}{
		{"key in a list", func(r *raw) {
			r.drop(17)
			r.drop(19)
			r.set(21, 0x7d, 1, 'l', 1, 'k', 1, 'm')
			r.set(52, 3)
		}, "object"},
		{"element in a map", func(r *raw) { r.set(66, 0x7f, 0, 2, 1) }, "object"},
		{"element in the root", func(r *raw) { r.drop(1); r.drop(2) }, "object"},
		{"head that is not inserted", func(r *raw) { r.set(52, 3) }, "key"},
		{"element is the list", func(r *raw) { r.set(19, 0, 1, 0x7e, 0, 1) }, "key"},
		{"element is itself", func(r *raw) { r.set(19, 0, 1, 0x7e, 0, 3) }, "key"},
		{"element of the future", func(r *raw) { r.others = [][]byte{{0xbb}}; r.set(17, 0, 2, 0x7f, 1) }, "key"},
		{"element with actor and no counter", func(r *raw) { r.set(19, 0, 1, 0x7f, 0, 0, 1) }, "key"},
		{"head with an actor", func(r *raw) { r.set(17, 0, 1, 2, 0) }, "number"},
		{"insert over something", func(r *raw) { r.set(112, 0x7d, 0, 0, 1) }, "run"},
		{"insert that replaces", func(r *raw) { r.set(112, 2, 0, 0x7f, 1); r.set(113, 0x7f, 0); r.set(115, 0x7f, 2) }, "pred"},
		{"inserted delete", func(r *raw) { r.set(66, 0x7d, 2, 1, 3); r.set(86, 0x7d, 0, 0x13, 0); r.set(87, 1) }, "pred"},
		{"end of a mark with a value", func(r *raw) { r.set(66, 0x7d, 2, 1, 7) }, "value"},
	} {
		r := listBase()
		x.mutate(r)
		refused(t, "list: "+x.name, seal(r.content()), x.code)
	}
}

// refused checks the code; "" = any, where a cut moves what follows.
func refused(t *testing.T, name string, chunk []byte, code string) {
	t.Helper()
	_, err := change.Decode(chunk, change.DefaultLimits)
	var e *change.Error
	switch {
	case err == nil:
		t.Errorf("%s: accepted", name)
	case !errors.As(err, &e):
		t.Errorf("%s: not an *Error: %v", name, err)
	case code != "" && e.Code != code:
		t.Errorf("%s: %v, want code %s", name, err, code)
	}
}

func TestHostileFrame(t *testing.T) {
	good := seal(base().content())
	edit := func(f func(b []byte) []byte) []byte { return f(bytes.Clone(good)) }
	refused(t, "nothing", nil, "short")
	refused(t, "header only", good[:9], "short")
	refused(t, "cut", good[:len(good)-1], "short")
	refused(t, "one byte more", append(bytes.Clone(good), 0), "trailing")
	refused(t, "two chunks", append(bytes.Clone(good), good...), "trailing")
	refused(t, "magic", edit(func(b []byte) []byte { b[0]++; return b }), "magic")
	refused(t, "checksum", edit(func(b []byte) []byte { b[4]++; return b }), "checksum")
	refused(t, "a flipped bit", edit(func(b []byte) []byte { b[len(b)-1] ^= 1; return b }), "checksum")
	for _, typ := range []byte{0, 3, 9} {
		refused(t, "type", edit(func(b []byte) []byte { b[8] = typ; return b }), "type")
	}
	refused(t, "length in a longer form", edit(func(b []byte) []byte {
		return slices.Concat(b[:9], []byte{b[9] | 0x80, 0}, b[10:])
	}), "number")
	refused(t, "length of 2^63", edit(func(b []byte) []byte {
		return slices.Concat(b[:9], bytes.Repeat([]byte{0x80}, 9), []byte{1}, b[10:])
	}), "short")
	refused(t, "too large", make([]byte, change.DefaultLimits.Chunk+1), "size")
}

// squeeze makes a deflated chunk of what may be no contents at all.
func squeeze(t *testing.T, content, tail []byte) []byte {
	t.Helper()
	var z bytes.Buffer
	w, err := flate.NewWriter(&z, 9)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(content); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	z.Write(tail)
	plain := seal(content)
	return slices.Concat(plain[:8], []byte{2}, uleb(uint64(z.Len())), z.Bytes())
}

func TestHostileDeflate(t *testing.T) {
	good := base().content()
	if _, err := change.Decode(squeeze(t, good, nil), change.DefaultLimits); err != nil {
		t.Fatal(err)
	}
	refused(t, "bomb", squeeze(t, make([]byte, 64<<20), nil), "size")
	refused(t, "bytes after the stream", squeeze(t, good, []byte{0}), "trailing")
	refused(t, "not deflate", append([]byte("\x85\x6f\x4a\x83\x00\x00\x00\x00\x02\x03"), 0xff, 0xff, 0xff), "inflate")
	cut := squeeze(t, good, nil)
	n := len(cut)
	cut[9] -= 2
	refused(t, "stream cut", cut[:n-2], "inflate")
}

// A few bytes may not claim much memory: runs are held to the limits before
// anything is allocated.
func TestLimits(t *testing.T) {
	r := base()
	chunk := seal(r.content())
	for _, x := range []struct {
		name string
		lim  change.Limits
	}{
		{"chunk", change.Limits{Chunk: len(chunk) - 1, Inflated: 1 << 20, Ops: 9, Preds: 9, Deps: 9}},
		{"contents", change.Limits{Chunk: 1 << 20, Inflated: 10, Ops: 9, Preds: 9, Deps: 9}},
		{"operations", change.Limits{Chunk: 1 << 20, Inflated: 1 << 20, Ops: 1, Preds: 9, Deps: 9}},
		{"predecessors", change.Limits{Chunk: 1 << 20, Inflated: 1 << 20, Ops: 9, Preds: 1, Deps: 9}},
		{"dependencies", change.Limits{Chunk: 1 << 20, Inflated: 1 << 20, Ops: 9, Preds: 9, Deps: 1}},
	} {
		_, err := change.Decode(chunk, x.lim)
		var e *change.Error
		if !errors.As(err, &e) || e.Code != change.CodeSize {
			t.Errorf("%s: %v", x.name, err)
		}
	}
}

// Where an operation takes some bytes at the least, what few bytes claim is
// refused before anything is made for it; what is written out is not.
func TestOpBytes(t *testing.T) {
	claims := func(ops uint64, size int) []byte {
		r := &raw{actor: []byte{0xaa}, seq: []byte{1}, start: []byte{1}, time: []byte{0}, message: bytes.Repeat([]byte{'m'}, size)}
		run := func(v ...byte) []byte { // so many times the same
			return append(leb(int64(ops)), v...)
		}
		r.cols = []rawColumn{{21, run(1, 'k')}, {52, uleb(ops)}, {66, run(1)}, {86, run(0)}, {112, run(0)}}
		return seal(r.content())
	}
	lim := change.DefaultLimits
	for _, x := range []struct {
		ops     uint64
		size    int
		opBytes int
		code    string
	}{
		{50_000, 0, 0, ""}, {50_001, 0, 0, "size"}, {16, 0, 1000, ""}, {17, 0, 1000, "size"},
		{100, 350, 4, ""}, {200, 350, 4, "size"}, {1 << 40, 350, 4, "size"}, {1 << 40, 350, 0, "size"},
	} {
		lim.OpBytes = x.opBytes
		c, err := change.Decode(claims(x.ops, x.size), lim)
		var e *change.Error
		switch {
		case x.code == "" && (err != nil || uint64(len(c.Ops)) != x.ops):
			t.Errorf("%+v: %v", x, err)
		case x.code != "" && (!errors.As(err, &e) || e.Code != x.code):
			t.Errorf("%+v: %v", x, err)
		}
	}
	// A deflated chunk may be so many times smaller than what it holds.
	lim = change.DefaultLimits
	chunk := squeeze(t, content(claims(5, 100_000)), nil)
	if _, err := change.Decode(chunk, lim); err != nil {
		t.Fatal(err)
	}
	lim.Ratio = 32
	refusedWithin(t, "a ratio of hundreds", chunk, lim, "size")
	if lim.Inflates(10) != 4<<10+320 || lim.Inflates(1<<30) != lim.Inflated {
		t.Errorf("%d and %d", lim.Inflates(10), lim.Inflates(1<<30))
	}
}

func leb(v int64) []byte {
	var b []byte
	for {
		c := byte(v & 0x7f)
		v >>= 7
		if v == 0 && c&0x40 == 0 || v == -1 && c&0x40 != 0 {
			return append(b, c)
		}
		b = append(b, c|0x80)
	}
}

func refusedWithin(t *testing.T, name string, chunk []byte, lim change.Limits, code string) {
	t.Helper()
	var e *change.Error
	if _, err := change.Decode(chunk, lim); !errors.As(err, &e) || e.Code != code {
		t.Errorf("%s: %v, want code %s", name, err, code)
	}
}
