package change_test

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gatewright/sync/change"
)

// fixture is one change as written by the JavaScript library (automerge 3.5.0)
// and what that library reads in it. See testdata/gen.
type fixture struct {
	Chunk    []byte
	Deflated []byte
	Decoded  decoded
}

func fixtures(t testing.TB) []fixture {
	t.Helper()
	f, err := os.Open("testdata/changes.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []fixture
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var fx fixture
		dec := json.NewDecoder(bytes.NewReader(lines.Bytes()))
		dec.UseNumber()
		if err := dec.Decode(&fx); err != nil {
			t.Fatal(err)
		}
		out = append(out, fx)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	if len(out) < 200 {
		t.Fatalf("only %d fixtures", len(out))
	}
	return out
}

func id(o change.OpID, zero string) string {
	if o.IsZero() {
		return zero
	}
	return strconv.FormatUint(o.Counter, 10) + "@" + o.Actor.String()
}

func ints(b []byte) []any {
	out := make([]any, len(b))
	for i, x := range b {
		out[i] = json.Number(strconv.Itoa(int(x)))
	}
	return out
}

// number gives a float in the fixture's notation.
func number(f float64) any {
	switch {
	case math.IsNaN(f):
		return map[string]any{"float": "NaN"}
	case math.IsInf(f, 1):
		return map[string]any{"float": "Infinity"}
	case math.IsInf(f, -1):
		return map[string]any{"float": "-Infinity"}
	case f == 0 && math.Signbit(f):
		return map[string]any{"float": "-0"}
	}
	return json.Number(strconv.FormatFloat(f, 'g', -1, 64))
}

// describe writes an operation as JavaScript's decodeChange does.
func describe(op change.Op) map[string]any {
	out := map[string]any{"obj": id(op.Obj, "_root")}
	if op.IsElem {
		out["elemId"] = id(op.Elem, "_head")
	} else {
		out["key"] = op.Key
	}
	if op.Insert {
		out["insert"] = true
	}
	preds := []any{}
	for _, p := range op.Pred {
		preds = append(preds, id(p, ""))
	}
	out["pred"] = preds
	valued := false
	switch op.Action {
	case change.MakeMap:
		out["action"] = "makeMap"
	case change.MakeList:
		out["action"] = "makeList"
	case change.MakeText:
		out["action"] = "makeText"
	case change.MakeTable:
		out["action"] = "makeTable"
	case change.Delete:
		out["action"] = "del"
	case change.Set:
		out["action"], valued = "set", true
	case change.Increment:
		out["action"], valued = "inc", true
	case change.Mark:
		out["action"] = "markEnd"
		out["expand"] = op.Expand
		if op.MarkNamed {
			out["action"], out["name"], valued = "markBegin", op.MarkName, true
		}
	}
	if !valued {
		return out
	}
	v := op.Value
	switch v.Kind {
	case change.KindNull:
		out["value"] = nil
	case change.KindFalse:
		out["value"] = false
	case change.KindTrue:
		out["value"] = true
	case change.KindUint:
		out["datatype"], out["value"] = "uint", json.Number(strconv.FormatUint(v.Uint, 10))
	case change.KindInt:
		out["datatype"], out["value"] = "int", json.Number(strconv.FormatInt(v.Int, 10))
	case change.KindFloat:
		out["datatype"], out["value"] = "float64", number(v.Float)
	case change.KindString:
		out["value"] = v.Str
	case change.KindBytes:
		out["value"] = ints(v.Bytes)
	case change.KindCounter:
		out["datatype"], out["value"] = "counter", json.Number(strconv.FormatInt(v.Int, 10))
	case change.KindTimestamp:
		out["datatype"], out["value"] = "timestamp", json.Number(strconv.FormatInt(v.Int, 10))
	case change.KindUnknown:
		out["value"] = map[string]any{"type_code": json.Number(strconv.Itoa(int(v.Code))), "bytes": ints(v.Bytes)}
	}
	if op.Action != change.Set {
		delete(out, "datatype") // decodeChange names it for set alone
	}
	return out
}

// same compares described JSON; numbers by value, since 1e-7 has two spellings.
func same(a, b any) bool {
	switch x := a.(type) {
	case map[string]any:
		y, ok := b.(map[string]any)
		if !ok || len(x) != len(y) {
			return false
		}
		for k := range x {
			v, has := y[k]
			if !has || !same(x[k], v) {
				return false
			}
		}
		return true
	case []any:
		y, ok := b.([]any)
		if !ok || len(x) != len(y) {
			return false
		}
		for i := range x {
			if !same(x[i], y[i]) {
				return false
			}
		}
		return true
	case json.Number:
		y, ok := b.(json.Number)
		if !ok {
			return false
		}
		f, err1 := x.Float64()
		g, err2 := y.Float64()
		return x == y || err1 == nil && err2 == nil && f == g && strings.ContainsAny(string(x+y), ".eE")
	}
	return a == b
}

// What Decode reads must equal, field by field, what JavaScript reads, and
// Encode must give the same bytes back.
func TestAgainstJavaScript(t *testing.T) {
	seen := map[string]int{}
	for i, fx := range fixtures(t) {
		c, err := change.Decode(fx.Chunk, change.DefaultLimits)
		if err != nil {
			t.Errorf("%d: %v", i, err)
			continue
		}
		if d := fx.Decoded.differs(c); d != "" {
			t.Errorf("%d: %s", i, d)
			continue
		}
		for j, op := range c.Ops {
			seen[fx.Decoded.Ops[j]["action"].(string)]++
			if len(op.Pred) > 1 {
				seen["several predecessors"]++
			}
			if op.Obj.Actor != "" && op.Obj.Actor != c.Actor {
				seen["foreign object"]++
			}
		}
		if !bytes.Equal(c.Bytes, fx.Chunk) {
			t.Errorf("%d: Bytes is not the plain chunk", i)
		}
		again := *c
		again.Bytes, again.Hash = nil, change.Hash{}
		if err := change.Encode(&again); err != nil {
			t.Errorf("%d: encode: %v", i, err)
		} else if !bytes.Equal(again.Bytes, fx.Chunk) || again.Hash != c.Hash {
			t.Errorf("%d: encodes to other bytes\n got %x\nwant %x", i, again.Bytes, fx.Chunk)
		}
		if fx.Deflated == nil {
			continue
		}
		seen["deflated"]++
		z, err := change.Decode(fx.Deflated, change.DefaultLimits)
		if err != nil {
			t.Errorf("%d, deflated: %v", i, err)
		} else if !bytes.Equal(z.Bytes, fx.Chunk) || z.Hash != c.Hash {
			t.Errorf("%d, deflated: not the plain change", i)
		}
	}
	// The fixture must keep covering what it was made for.
	for _, what := range []string{"set", "makeMap", "makeList", "makeText", "del", "inc", "markBegin", "markEnd",
		"several predecessors", "foreign object", "deflated"} {
		if seen[what] == 0 {
			t.Errorf("no fixture with %s", what)
		}
	}
	t.Log(seen)
}

// base64 of a chunk, for the messages of failed tests.
func b64(b []byte) string { return base64.StdEncoding.EncodeToString(b) }
