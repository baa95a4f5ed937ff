package fold_test

import (
	"bufio"
	"encoding/json"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gatewright/schema/canon"
	"gatewright/sync/change"
	"gatewright/sync/fold"
)

// document is a merge of concurrent edits as the JavaScript library (automerge
// 3.5.0) sees it. See sync/change/testdata/gen/folds.mjs.
type document struct {
	Changes   [][]byte
	Heads     []string
	Doc       json.RawMessage
	Conflicts []struct {
		Path   []string
		Values map[string]json.RawMessage
	}
}

func documents(t testing.TB) []document {
	t.Helper()
	f, err := os.Open("testdata/folds.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []document
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var d document
		if err := json.Unmarshal(lines.Bytes(), &d); err != nil {
			t.Fatal(err)
		}
		out = append(out, d)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	if len(out) < 50 {
		t.Fatalf("only %d documents", len(out))
	}
	return out
}

func (d document) decode(t testing.TB) []*change.Change {
	t.Helper()
	var out []*change.Change
	for _, b := range d.Changes {
		c, err := change.Decode(b, change.DefaultLimits)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, c)
	}
	return out
}

func canonical(t testing.TB, b []byte) string {
	t.Helper()
	out, err := canon.Canonical(b)
	if err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	return string(out)
}

// shuffle gives the changes in a random order that keeps dependencies first.
func shuffle(cs []*change.Change, r *rand.Rand) []*change.Change {
	left := slices.Clone(cs)
	r.Shuffle(len(left), func(i, j int) { left[i], left[j] = left[j], left[i] })
	have := map[change.Hash]bool{}
	var out []*change.Change
	for len(left) > 0 {
		i := slices.IndexFunc(left, func(c *change.Change) bool {
			return !slices.ContainsFunc(c.Deps, func(h change.Hash) bool { return !have[h] })
		})
		have[left[i].Hash] = true
		out = append(out, left[i])
		left = slices.Delete(left, i, i+1)
	}
	return out
}

func opID(id change.OpID) string { return strconv.FormatUint(id.Counter, 10) + "@" + id.Actor.String() }

func path(p []string) string { return strings.Join(p, "\x00") }

// Winners and conflicts are those of JavaScript, in any order of arrival.
func TestAgainstJavaScript(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	conflicts, equals := 0, 0
	for n, d := range documents(t) {
		cs := d.decode(t)
		for range 4 {
			f := fold.New()
			for _, c := range cs {
				if err := f.Apply(c); err != nil {
					t.Fatalf("document %d: %v", n, err)
				}
			}
			if got, want := string(f.JSON()), canonical(t, d.Doc); got != want {
				t.Fatalf("document %d:\n got %s\nwant %s", n, got, want)
			}
			var heads []string
			for _, h := range f.Heads() {
				heads = append(heads, h.String())
			}
			slices.Sort(d.Heads)
			if !slices.Equal(heads, d.Heads) {
				t.Fatalf("document %d: heads %v, want %v", n, heads, d.Heads)
			}

			got := map[string]fold.Conflict{}
			for _, c := range f.Conflicts() {
				got[path(c.Path)] = c
			}
			if len(got) != len(f.Conflicts()) {
				t.Fatalf("document %d: a path twice", n)
			}
			for _, want := range d.Conflicts {
				c, found := got[path(want.Path)]
				delete(got, path(want.Path))
				if !found {
					// JavaScript lists equal values too.
					equals++
					var first string
					for _, v := range want.Values {
						if s := canonical(t, v); first == "" {
							first = s
						} else if s != first {
							t.Fatalf("document %d: no conflict at %q, want %s", n, want.Path, want.Values)
						}
					}
					continue
				}
				conflicts++
				if len(c.Values) != len(want.Values) {
					t.Fatalf("document %d at %q: %d values, want %d", n, want.Path, len(c.Values), len(want.Values))
				}
				for i, v := range c.Values {
					if js, ok := want.Values[opID(v.ID)]; !ok || canonical(t, js) != string(v.JSON) {
						t.Fatalf("document %d at %q: %s is %s, want %s", n, want.Path, opID(v.ID), v.JSON, js)
					}
					if i > 0 && c.Values[i-1].ID.Compare(v.ID) <= 0 {
						t.Fatalf("document %d at %q: not in descending order", n, want.Path)
					}
					made := cs[slices.IndexFunc(cs, func(c *change.Change) bool { return c.Hash == v.Change })]
					if v.Actor != made.Actor || v.Time != made.Time || v.ID.Actor != made.Actor ||
						v.ID.Counter < made.StartOp || v.ID.Counter > made.MaxOp() {
						t.Fatalf("document %d at %q: wrong origin %+v", n, want.Path, v)
					}
				}
				if v, object, ok := f.Get(want.Path...); !ok || object != c.Values[0].Object || !v.Equal(c.Values[0].Value) {
					t.Fatalf("document %d at %q: the first value is not the winner", n, want.Path)
				}
			}
			if len(got) > 0 {
				t.Fatalf("document %d: conflicts that JavaScript does not have: %v", n, got)
			}
			cs = shuffle(cs, r)
		}
	}
	if conflicts < 100 || equals == 0 {
		t.Errorf("%d conflicts and %d equal values are too few to mean anything", conflicts, equals)
	}
	t.Logf("%d conflicts, %d equal", conflicts, equals)
}
