package reference

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"text/tabwriter"

	"gatewright/schema/calc"
)

// published is one case of testdata/cases.json.
type published struct {
	ID         string
	Topic      string
	Input      json.RawMessage
	Expected   json.RawMessage
	Source     struct{ Title, Publisher, Locator string }
	Provenance string // read: the value was seen in the source or a copy of it; memory: it was not
	Note       string
}

// row is one number or text of a case beside what we give for it.
type row struct {
	what      string
	want, got float64
	within    float64 // greatest difference allowed
	texts     bool
	wantText  string
	gotText   string
	why       string // the difference, where source and exact computation are known to differ
}

// near compares numbers to an absolute difference, rel to a share of the
// expected one, same texts.
func near(what string, want, got, within float64) row {
	return row{what: what, want: want, got: got, within: within}
}

func rel(what string, want, got, share float64) row {
	return near(what, want, got, share*math.Abs(want))
}

func same(what string, want, got any) row {
	return row{what: what, texts: true, wantText: fmt.Sprint(want), gotText: fmt.Sprint(got)}
}

func (r row) because(why string) row {
	r.why = why
	return r
}

func (r row) ok() bool {
	if r.texts {
		return r.wantText == r.gotText
	}
	return math.Abs(r.want-r.got) <= r.within
}

// asked is one calculation's answer.
type asked map[string]any

// ask puts a question as a user does: by name, in JSON.
func ask(t *testing.T, name string, in map[string]any) asked {
	t.Helper()
	q, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	b, err := calc.Run(name, q)
	if err != nil {
		t.Fatalf("%s %s: %v", name, q, err)
	}
	var out asked
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func (a asked) num(field string) float64 {
	f, ok := a[field].(float64)
	if !ok {
		return math.NaN() // which is near nothing
	}
	return f
}

func (a asked) nums(field string) []float64 {
	list, _ := a[field].([]any)
	out := make([]float64, len(list))
	for i, x := range list {
		out[i], _ = x.(float64)
	}
	return out
}

func (c published) in(t *testing.T, into any)   { decode(t, c.ID, c.Input, into) }
func (c published) want(t *testing.T, into any) { decode(t, c.ID, c.Expected, into) }

func decode(t *testing.T, id string, b []byte, into any) {
	t.Helper()
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", id, err)
	}
}

func load(t *testing.T) []published {
	t.Helper()
	b, err := os.ReadFile("testdata/cases.json")
	if err != nil {
		t.Fatal(err)
	}
	var list []published
	decode(t, "cases.json", b, &list)
	return list
}

// TestTable holds every case to its published values and prints them.
func TestTable(t *testing.T) {
	list := load(t)
	seen := map[string]bool{}
	var out strings.Builder
	w := tabwriter.NewWriter(&out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "case\tvalue\tsource\tprovenance\texpected\tcomputed\tdifference\t")
	rows := 0
	for _, c := range list {
		seen[c.ID] = true
		check, here := checks[c.ID]
		where, there := elsewhere[c.ID]
		if here == there {
			t.Errorf("%s must be checked here or said to be elsewhere, one of the two", c.ID)
			continue
		}
		source := c.Source.Title + ", " + c.Source.Locator
		if there {
			fmt.Fprintf(w, "%s\t-\t%s\t%s\t\t\t%s\t\n", c.ID, short(source), c.Provenance, where)
			continue
		}
		all := check(t, c)
		if len(all) == 0 {
			t.Errorf("%s compares nothing", c.ID)
		}
		for _, r := range all {
			rows++
			note := ""
			if r.why != "" {
				note = " (" + r.why + ")"
			}
			if r.texts {
				verdict := "equal"
				if !r.ok() {
					verdict = "DIFFERENT"
				}
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s%s\t\n", c.ID, r.what, short(source), c.Provenance, short(r.wantText), short(r.gotText), verdict, note)
			} else {
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%.10g\t%.10g\t%.2g%s\t\n", c.ID, r.what, short(source), c.Provenance, r.want, r.got, r.got-r.want, note)
			}
			if !r.ok() {
				t.Errorf("%s, %s (%s; %s): want %v%s, got %v%s, allowed %g", c.ID, r.what, source, c.Provenance, r.want, r.wantText, r.got, r.gotText, r.within)
			}
		}
	}
	for id := range checks {
		if !seen[id] {
			t.Errorf("%s is checked, and no case", id)
		}
	}
	for id := range elsewhere {
		if !seen[id] {
			t.Errorf("%s is said to be elsewhere, and is no case", id)
		}
	}
	w.Flush()
	t.Logf("%d cases, %d values compared\n%s", len(list), rows, out.String())
}

func short(s string) string {
	if r := []rune(s); len(r) > 48 {
		return string(r[:47]) + "…"
	}
	return s
}

// every joins the rows of a list of values.
func every(what string, want, got []float64, within float64) []row {
	if len(want) != len(got) {
		return []row{same(what+", how many", len(want), len(got))}
	}
	var out []row
	for i := range want {
		out = append(out, near(fmt.Sprintf("%s[%d]", what, i), want[i], got[i], within))
	}
	return out
}

func wholes(list []float64) []int {
	out := []int{}
	for _, x := range list {
		out = append(out, int(x))
	}
	return out
}
