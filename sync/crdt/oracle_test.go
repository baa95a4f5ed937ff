package crdt_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/automerge/automerge-go"

	"gatewright/sync/change"
	"gatewright/sync/crdt"
	"gatewright/sync/fold"
)

// writer is one replica that writes changes with our own encoder.
type writer struct {
	actor change.Actor
	seq   uint64
	have  map[change.Hash]*change.Change
	order []*change.Change
	fold  *fold.Fold
}

func newWriter(actor string) *writer {
	return &writer{actor: change.Actor(actor), have: map[change.Hash]*change.Change{}, fold: fold.New()}
}

func (w *writer) add(t *testing.T, c *change.Change) {
	t.Helper()
	if w.have[c.Hash] != nil {
		return
	}
	if err := w.fold.Apply(c); err != nil {
		t.Fatal(err)
	}
	w.have[c.Hash] = c
	w.order = append(w.order, c)
}

func (w *writer) merge(t *testing.T, o *writer) {
	for _, c := range o.order {
		w.add(t, c)
	}
}

// live follows the operations of this replica naively: which values of a key
// are named by nobody.
func (w *writer) live(obj change.OpID, key string) (out []change.Op) {
	named := map[change.OpID]bool{}
	for _, c := range w.order {
		for _, op := range c.Ops {
			for _, p := range op.Pred {
				named[p] = named[p] || op.Action != change.Increment
			}
		}
	}
	for _, c := range w.order {
		for _, op := range c.Ops {
			if op.Obj == obj && op.Key == key && !named[op.ID] && (op.Action == change.Set || op.Action == change.MakeMap) {
				out = append(out, op)
			}
		}
	}
	return out
}

func (w *writer) maps() []change.OpID {
	out := []change.OpID{{}}
	for _, c := range w.order {
		for _, op := range c.Ops {
			if op.Action == change.MakeMap {
				out = append(out, op.ID)
			}
		}
	}
	return out
}

func scalar(r *rand.Rand) change.Value {
	switch r.IntN(12) {
	case 0:
		return change.Value{}
	case 1:
		return change.Bool(r.IntN(2) == 0)
	case 2:
		return change.Int([]int64{0, -1, 64, -65, math.MaxInt64, math.MinInt64}[r.IntN(6)])
	case 3:
		return change.Uint([]uint64{0, 127, 128, math.MaxUint64}[r.IntN(4)])
	case 4:
		return change.Float([]float64{0, 0.1, -2.5, math.NaN(), math.Inf(1), 5e-324}[r.IntN(6)])
	case 5:
		return change.Bytes([]byte{0, 0xff, byte(r.IntN(3))})
	case 6:
		return change.Counter(int64(r.IntN(9)) - 4)
	case 7:
		return change.Timestamp(1772344800000 + int64(r.IntN(3)))
	}
	return change.String([]string{"", "a", "é\n", "門🚪", "\x00"}[r.IntN(5)])
}

// write makes one change of a few operations, each on a key of its own.
func (w *writer) write(t *testing.T, r *rand.Rand, time int64) {
	t.Helper()
	w.seq++
	c := &change.Change{Actor: w.actor, Seq: w.seq, StartOp: 1, Time: time, Deps: w.fold.Heads()}
	for _, x := range w.order {
		c.StartOp = max(c.StartOp, x.MaxOp()+1)
	}
	if r.IntN(4) == 0 {
		c.Message = "evening round"
	}
	maps := w.maps()
	used := map[string]bool{}
	for range 1 + r.IntN(5) {
		obj := maps[r.IntN(len(maps))]
		key := []string{"gate", "é", "門", "🚪", "a b"}[r.IntN(5)]
		if place := obj.Actor.String() + strconv.FormatUint(obj.Counter, 10) + key; used[place] {
			continue
		} else {
			used[place] = true
		}
		op := change.Op{Obj: obj, Key: key, Action: change.Set}
		counters := true
		for _, v := range w.live(obj, key) {
			op.Pred = append(op.Pred, v.ID)
			counters = counters && v.Value.Kind == change.KindCounter
		}
		switch k := r.IntN(6); {
		case k == 0 && len(op.Pred) > 0:
			op.Action = change.Delete
		case k < 4 && len(op.Pred) > 0 && counters:
			op.Action, op.Value = change.Increment, change.Int(int64(r.IntN(5))-2)
		case k == 1:
			op.Action = change.MakeMap
		default:
			op.Value = scalar(r)
		}
		c.Ops = append(c.Ops, op)
	}
	if err := change.Encode(c); err != nil {
		t.Fatal(err)
	}
	again, err := change.Decode(c.Bytes, change.DefaultLimits)
	if err != nil {
		t.Fatal(err)
	}
	w.add(t, again)
}

func chunks(cs []*change.Change) (out [][]byte) {
	for _, c := range cs {
		out = append(out, c.Bytes)
	}
	return out
}

// merged is what two to four replicas wrote, exchanging now and then.
func merged(t *testing.T, r *rand.Rand) *writer {
	t.Helper()
	ws := []*writer{newWriter("\xaa\x01"), newWriter("\x0b"), newWriter("\xff\x00\xff"), newWriter("0123456789abcdef")}
	ws = ws[:2+r.IntN(3)]
	for step := range 24 {
		a, b := ws[r.IntN(len(ws))], ws[r.IntN(len(ws))]
		a.write(t, r, int64(step)-3)
		if r.IntN(3) == 0 {
			a.merge(t, b)
		}
	}
	all := newWriter("all")
	for _, w := range ws {
		all.merge(t, w)
	}
	return all
}

// Changes of our own encoder load in the native library, which gives the same
// bytes, hashes, heads and projection, and whose file loads again.
func TestOwnChangesInTheLibrary(t *testing.T) {
	r := rand.New(rand.NewPCG(20260301, 1))
	for range 40 {
		all := merged(t, r)
		doc, err := crdt.Load(chunks(all.order))
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(doc.Heads(), all.fold.Heads()) {
			t.Fatal("heads differ")
		}
		want, err := doc.JSON()
		if err != nil {
			t.Fatal(err)
		}
		if got := all.fold.JSON(); !bytes.Equal(got, want) {
			t.Fatalf("projection\n got %s\nwant %s", got, want)
		}
		stored, err := doc.Changes()
		if err != nil {
			t.Fatal(err)
		}
		if len(stored) != len(all.order) {
			t.Fatalf("%d changes, want %d", len(stored), len(all.order))
		}
		// Save packs the changes into a document and Load rebuilds them: the
		// library checks every hash on the way.
		again, err := automerge.Load(doc.Save())
		if err != nil {
			t.Fatalf("the saved document does not load: %v", err)
		}
		rebuilt, err := again.Changes()
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range rebuilt {
			x := all.have[change.Hash(c.Hash())]
			if x == nil {
				t.Fatal("a change that was not written")
			}
			if plain, err := change.Decode(c.Save(), change.DefaultLimits); err != nil || !bytes.Equal(plain.Bytes, x.Bytes) {
				t.Fatalf("rebuilt to other bytes (%v)", err)
			}
		}
	}
}

func TestLogChangesInTheLibrary(t *testing.T) {
	var all [][]byte
	var deps []change.Hash
	for i := range uint64(50) {
		c, err := change.NewLogChange("\x01\x02", i+1, i+1, deps, 1772344800, "entry"+strconv.Itoa(int(i)), `{"v":1}`)
		if err != nil {
			t.Fatal(err)
		}
		deps = []change.Hash{c.Hash}
		all = append(all, c.Bytes)
	}
	doc, err := crdt.Load(append(all, all[3])) // one twice
	if err != nil {
		t.Fatal(err)
	}
	b, err := doc.JSON()
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]string
	if err := json.Unmarshal(b, &got); err != nil || len(got) != 50 || got["entry7"] != `{"v":1}` {
		t.Errorf("%v: %s", err, b)
	}
}

// Everything that JavaScript wrote, lists and texts included, loads.
func TestJavaScriptChangesInTheLibrary(t *testing.T) {
	f, err := os.Open("../change/testdata/changes.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	// The fixture holds several documents: the parts that dependencies join.
	type line struct{ Chunk []byte }
	part := map[change.Hash]change.Hash{}
	var root func(h change.Hash) change.Hash
	root = func(h change.Hash) change.Hash {
		if p, ok := part[h]; ok && p != h {
			return root(p)
		}
		return h
	}
	var all []*change.Change
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var l line
		if err := json.Unmarshal(lines.Bytes(), &l); err != nil {
			t.Fatal(err)
		}
		c, err := change.Decode(l.Chunk, change.DefaultLimits)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, c)
		for _, d := range c.Deps {
			part[root(d)] = root(c.Hash)
		}
	}
	docs := map[change.Hash][][]byte{}
	for _, c := range all {
		docs[root(c.Hash)] = append(docs[root(c.Hash)], c.Bytes)
	}
	for _, cs := range docs {
		d, err := crdt.Load(cs)
		if err != nil {
			t.Fatal(err)
		}
		stored, err := d.Changes()
		if err != nil {
			t.Fatal(err)
		}
		if len(stored) != len(cs) {
			t.Errorf("%d changes, want %d", len(stored), len(cs))
		}
		if _, err := d.JSON(); err != nil {
			t.Error(err)
		}
	}
	t.Log(len(all), "changes in", len(docs), "documents")
}

func TestLoadRefuses(t *testing.T) {
	one, err := change.NewLogChange("a", 1, 1, nil, 0, "k", "v")
	if err != nil {
		t.Fatal(err)
	}
	two, err := change.NewLogChange("a", 2, 2, []change.Hash{one.Hash}, 0, "l", "v")
	if err != nil {
		t.Fatal(err)
	}
	fork, err := change.NewLogChange("a", 1, 1, nil, 0, "m", "v")
	if err != nil {
		t.Fatal(err)
	}
	gap, err := change.NewLogChange("a", 3, 2, []change.Hash{one.Hash}, 0, "l", "v")
	if err != nil {
		t.Fatal(err)
	}
	cut := one.Bytes[:len(one.Bytes)-1]
	for name, cs := range map[string][][]byte{
		"missing dependency": {two.Bytes},
		"out of order":       {two.Bytes, one.Bytes},
		"fork":               {one.Bytes, fork.Bytes},
		"gap in seq":         {one.Bytes, gap.Bytes},
		"cut":                {cut},
	} {
		if _, err := crdt.Load(cs); err == nil {
			t.Errorf("%s: loaded", name)
		}
	}
	if d, err := crdt.Load(nil); err != nil || len(d.Heads()) != 0 {
		t.Errorf("empty document: %v", err)
	}
}
