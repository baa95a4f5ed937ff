package change_test

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gatewright/sync/change"
)

// decoded is a change as JavaScript's decodeChange gives it.
type decoded struct {
	Ops                []map[string]any
	Actor, Hash        string
	Seq, StartOp, Time json.Number
	Message            *string
	Deps               []string
}

// differs says where a change is read otherwise than JavaScript reads it; ""
// nowhere.
func (d *decoded) differs(c *change.Change) string {
	message := ""
	if d.Message != nil {
		message = *d.Message
	}
	deps := []string{}
	for _, h := range c.Deps {
		deps = append(deps, h.String())
	}
	if c.Hash.String() != d.Hash || c.Actor.String() != d.Actor || c.Message != message ||
		strconv.FormatUint(c.Seq, 10) != string(d.Seq) || strconv.FormatUint(c.StartOp, 10) != string(d.StartOp) ||
		strconv.FormatInt(c.Time, 10) != string(d.Time) || strings.Join(deps, " ") != strings.Join(d.Deps, " ") {
		return fmt.Sprintf("head: %+v, want %+v", c, d)
	}
	if len(c.Ops) != len(d.Ops) || c.MaxOp() != c.StartOp+uint64(len(d.Ops))-1 {
		return fmt.Sprintf("%d operations, want %d", len(c.Ops), len(d.Ops))
	}
	for i, op := range c.Ops {
		if got := describe(op); !same(got, d.Ops[i]) {
			return fmt.Sprintf("operation %d: got %v, want %v", i, got, d.Ops[i])
		}
	}
	return ""
}

// row is one line of testdata/gen/stream.mjs.
type row struct {
	Chunk, Deflated, Mutant []byte
	Decoded                 *decoded
	Error                   string
}

// javaScript gives the folder whose node_modules hold the JavaScript library.
func javaScript(t *testing.T) string {
	t.Helper()
	const gen, phone = "testdata/gen", "../../clients/phone"
	for _, dir := range []string{gen, phone} {
		if _, err := os.Stat(dir + "/node_modules/@automerge/automerge"); err == nil {
			return dir
		}
	}
	t.Skip("NOT COMPARED: the JavaScript library is installed neither in clients/phone (npm ci) nor in " + gen + " (npm install)")
	return ""
}

// stream runs stream.mjs and hands its lines over.
func stream(t *testing.T, in io.Reader, each func(i int, r *row), args ...string) {
	t.Helper()
	cmd := exec.Command("node", append([]string{"testdata/gen/stream.mjs", javaScript(t)}, args...)...)
	cmd.Stdin, cmd.Stderr = in, os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 64<<20)
	for i := 0; lines.Scan(); i++ {
		var r row
		dec := json.NewDecoder(bytes.NewReader(lines.Bytes()))
		dec.UseNumber()
		if err := dec.Decode(&r); err != nil {
			t.Fatal(err)
		}
		each(i, &r)
	}
	if err := errors.Join(lines.Err(), cmd.Wait()); err != nil {
		t.Fatal(err)
	}
}

// reason is why this decoder refuses a change.
func reason(err error) string {
	var e *change.Error
	if !errors.As(err, &e) {
		return "no reason"
	}
	return string(e.Code) + ": " + e.Detail
}

// streamed is how many changes are compared; a soak sets another number.
const streamed = 10_000

// Ten thousand changes that JavaScript made, plain and deflated, are read as
// JavaScript reads them and written with the same bytes. Of changes with one
// byte wrong behind a right checksum nothing is read that JavaScript refuses
// and nothing otherwise than it does; more is refused.
func TestManyInJavaScript(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	count := streamed
	if s := os.Getenv("GATEWRIGHT_STREAM"); s != "" {
		var err error
		if count, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	var agreed, inflated, mutants, bothRefuse, bothRead int
	deepest, actors, largest, ops := 0, 0, 0, 0
	onPurpose, seen := map[string]int{}, map[string]int{}
	stream(t, nil, func(i int, r *row) {
		if r.Mutant != nil {
			mutants++
			c, err := change.Decode(r.Mutant, change.DefaultLimits)
			switch {
			case err != nil && r.Decoded == nil:
				bothRefuse++
			case err != nil:
				onPurpose[reason(err)]++
			case r.Decoded == nil:
				t.Errorf("line %d: read here, and by JavaScript not (%s): %s", i, r.Error, b64(r.Mutant))
			default:
				bothRead++
				if d := r.Decoded.differs(c); d != "" {
					t.Errorf("line %d, mutant: %s", i, d)
				}
				again := *c
				again.Bytes, again.Hash = nil, change.Hash{}
				if err := change.Encode(&again); err != nil || !bytes.Equal(again.Bytes, r.Mutant) {
					t.Errorf("line %d, mutant: written with other bytes, %v", i, err)
				}
			}
			return
		}
		c, err := change.Decode(r.Chunk, change.DefaultLimits)
		if err != nil {
			t.Errorf("line %d: %v", i, err)
			return
		}
		if d := r.Decoded.differs(c); d != "" {
			t.Errorf("line %d: %s", i, d)
			return
		}
		again := *c
		again.Bytes, again.Hash = nil, change.Hash{}
		if err := change.Encode(&again); err != nil || !bytes.Equal(again.Bytes, r.Chunk) || again.Hash != c.Hash {
			t.Errorf("line %d: written with other bytes, %v", i, err)
		}
		if r.Deflated != nil {
			inflated++
			z, err := change.Decode(r.Deflated, change.DefaultLimits)
			if err != nil || !bytes.Equal(z.Bytes, r.Chunk) || z.Hash != c.Hash {
				t.Errorf("line %d, deflated: not the plain change, %v", i, err)
			}
		}
		agreed++
		deepest, largest, ops = max(deepest, len(c.Deps)), max(largest, len(c.Bytes)), max(ops, len(c.Ops))
		named := map[change.Actor]bool{}
		for k, op := range c.Ops {
			seen[r.Decoded.Ops[k]["action"].(string)]++
			seen["value "+strconv.Itoa(int(op.Value.Kind))]++
			for _, p := range op.Pred {
				named[p.Actor] = true
			}
		}
		actors = max(actors, len(named))
	}, "generate", "7", strconv.Itoa(count))
	for _, what := range []string{"set", "makeMap", "makeList", "makeText", "del", "inc", "markBegin", "markEnd",
		"value 0", "value 1", "value 2", "value 3", "value 4", "value 5", "value 6", "value 7", "value 8", "value 9"} {
		if seen[what] == 0 {
			t.Errorf("none with %s", what)
		}
	}
	if agreed < count || deepest < 200 || actors < 200 || largest < 20_000 || ops < 500 || inflated < count/20 || mutants < count/4 {
		t.Errorf("too little was compared")
	}
	t.Logf("%d changes agreed, %d of them deflated as well; at most %d dependencies, %d actors, %d bytes, %d operations", agreed, inflated, deepest, actors, largest, ops)
	t.Logf("%d mutants: both refuse %d, both read alike %d, refused here alone:", mutants, bothRefuse, bothRead)
	for _, why := range slices.Sorted(maps.Keys(onPurpose)) {
		t.Logf("%6d %s", onPurpose[why], why)
	}
}

// Changes of this encoder are read in JavaScript as they were meant: log
// entries, edits of a plan, and whatever the fixtures' operations become with
// other values, keys, actors and numbers.
func TestOwnManyInJavaScript(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	r := rand.New(rand.NewPCG(7, 26))
	var made []*change.Change
	var in strings.Builder
	refused := 0
	put := func(c *change.Change) {
		c.Bytes, c.Hash, c.Extra = nil, change.Hash{}, nil
		if change.Encode(c) != nil {
			refused++ // some of what chance makes cannot be
			return
		}
		made = append(made, c)
		in.WriteString(base64.StdEncoding.EncodeToString(c.Bytes) + "\n")
	}
	all := fixtures(t)
	for range 12 {
		for _, fx := range all {
			c, err := change.Decode(fx.Chunk, change.DefaultLimits)
			if err != nil {
				t.Fatal(err)
			}
			vary(r, c)
			put(c)
		}
	}
	for i := range 500 {
		deps := make([]change.Hash, r.IntN(5))
		for k := range deps {
			deps[k] = change.Hash{byte(k), byte(r.Uint32())}
		}
		seq := uint64(1)
		if len(deps) > 0 {
			seq = 1 + r.Uint64N(1<<31)
		}
		c, err := change.NewLogChange(change.Actor(strconv.Itoa(i)), seq, 1+r.Uint64N(1<<31), deps, r.Int64()>>(11+r.IntN(50)),
			fmt.Sprintf("01JNM%021d", i), `{"text":"`+strings.Repeat("é門", r.IntN(2000))+`"}`)
		if err != nil {
			t.Fatal(err)
		}
		put(c)
	}
	got := 0
	stream(t, strings.NewReader(in.String()), func(i int, row *row) {
		got++
		if row.Decoded == nil {
			t.Errorf("change %d: JavaScript refuses it: %s: %s", i, row.Error, b64(made[i].Bytes))
		} else if d := row.Decoded.differs(made[i]); d != "" {
			t.Errorf("change %d: %s", i, d)
		}
	}, "decode")
	if got != len(made) || got < 2000 {
		t.Errorf("%d answers for %d changes", got, len(made))
	}
	t.Logf("%d changes of ours read alike; the encoder turned down %d", got, refused)
}

// vary gives a change other contents of the same shape.
func vary(r *rand.Rand, c *change.Change) {
	if r.IntN(2) == 0 {
		c.Message = strings.Repeat("é🚪", r.IntN(4))
	}
	c.Time = r.Int64()>>(11+r.IntN(50)) - r.Int64()>>(11+r.IntN(50)) // within 53 bits
	shift := r.Uint64N(1 << r.IntN(31))
	move := func(id *change.OpID) {
		if id.Counter >= c.StartOp && id.Actor == c.Actor {
			id.Counter += shift
		}
	}
	values := []change.Value{{}, change.Bool(true), change.Bool(false), change.Int(-r.Int64N(1 << 53)), change.Int(r.Int64N(1 << 20)),
		change.Uint(r.Uint64N(1 << 53)), change.Float(r.NormFloat64()), change.String(strings.Repeat("門", r.IntN(90))),
		change.Bytes([]byte(strconv.Itoa(r.Int()))), change.Counter(-r.Int64N(99)), change.Timestamp(r.Int64N(1 << 50))}
	for i := range c.Ops {
		op := &c.Ops[i]
		move(&op.ID)
		move(&op.Obj)
		move(&op.Elem)
		for k := range op.Pred {
			move(&op.Pred[k])
		}
		if op.Action == change.Set && r.IntN(3) == 0 {
			op.Value = values[r.IntN(len(values))]
		}
		if !op.IsElem && len(op.Pred) == 0 && r.IntN(3) == 0 {
			op.Key = strings.Repeat("k\u0000ü", r.IntN(6))
		}
	}
	c.StartOp += shift
}
