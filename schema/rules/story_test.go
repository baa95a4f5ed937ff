package rules

import (
	"archive/zip"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/schema/canon"
	"gatewright/schema/logbook"
)

// A story in testdata is a small site whose output was worked out by hand.
//
// To be readable it writes instants as text (2026-05-13T08:20Z, to the
// millisecond where needed), entry ids as $1, $2 …, and the plan's embedded
// lists as lists. site holds only what is not the same everywhere; kind, id
// and at of an entry are written, v and dev are added (dev can be a letter). want leaves the basis
// out: it is {"documents":{},"now":NOW,"tz":"test","v":1}.
type story struct {
	Story   []string
	Zone    string
	Plan    map[string]any
	Entries []map[string]any
	Steps   []struct {
		Why  string
		Now  string
		Want map[string]any
	}
}

var (
	instantText = regexp.MustCompile(`^\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d{3})?)?Z$`)
	entryText   = regexp.MustCompile(`\$(\d+)\b`)
)

// entryID is the id of $n.
func entryID(n int) logbook.EntryID {
	return logbook.NewEntryID(1767225600000+int64(n), [10]byte{})
}

// spell turns the readable spelling of a value into the real one.
func spell(v any) any {
	switch v := v.(type) {
	case string:
		if instantText.MatchString(v) {
			layout := "2006-01-02T15:04Z"
			if len(v) > len(layout) {
				layout = time.RFC3339
			}
			t, err := time.Parse(layout, v)
			if err != nil {
				panic(err)
			}
			return t.UnixMilli()
		}
		return entryText.ReplaceAllStringFunc(v, func(s string) string {
			var n int
			fmt.Sscanf(s, "$%d", &n)
			return string(entryID(n))
		})
	case map[string]any:
		out := map[string]any{}
		for k, x := range v {
			out[k] = spell(x)
		}
		return out
	case []any:
		out := make([]any, 0, len(v))
		for _, x := range v {
			out = append(out, spell(x))
		}
		return out
	}
	return v
}

func canonical(t testing.TB, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	if b, err = canon.Canonical(b); err != nil {
		t.Fatal(err)
	}
	return b
}

var tables = map[string][]byte{}

// tzif is a zone's table as the Go distribution has it.
func tzif(t testing.TB, zone string) []byte {
	t.Helper()
	if b := tables[zone]; b != nil {
		return b
	}
	r, err := zip.OpenReader(filepath.Join(runtime.GOROOT(), "lib", "time", "zoneinfo.zip"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	f, err := r.Open(zone)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	tables[zone] = b
	return b
}

// planJSON completes the plan and embeds its lists.
func planJSON(t testing.TB, zone string, plan map[string]any) []byte {
	t.Helper()
	plan = spell(plan).(map[string]any)
	site, _ := plan["site"].(map[string]any)
	if site == nil {
		site = map[string]any{}
		plan["site"] = site
	}
	site["id"], site["name"] = "00000000-0000-4000-8000-000000000001", "Test yard"
	site["zone"], site["tz"], site["tzv"] = zone, base64.StdEncoding.EncodeToString(tzif(t, zone)), "test"
	embed := func(item map[string]any, fields ...string) {
		for _, f := range fields {
			if v, ok := item[f]; ok {
				item[f] = string(canonical(t, v))
			}
		}
	}
	embed(site, "milkings")
	for _, coll := range []string{"gates", "parts", "checks"} {
		items, _ := plan[coll].(map[string]any)
		for id, item := range items {
			item := item.(map[string]any)
			item["name"] = id
			if coll == "parts" && item["type"] == nil {
				item["type"] = "valve"
			}
			embed(item, "cadence", "limits", "rates")
		}
	}
	return canonical(t, plan)
}

func parsePlan(t testing.TB, b []byte) *logbook.Plan {
	t.Helper()
	p, err := logbook.ParsePlan(b)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Problems) > 0 {
		t.Fatalf("plan: %v", p.Problems)
	}
	return p
}

func entry(t testing.TB, m map[string]any) *logbook.Entry {
	t.Helper()
	m = spell(m).(map[string]any)
	m["v"] = 1
	m["by"] = person(m["by"])
	if letter, _ := m["dev"].(string); len(letter) == 1 {
		m["dev"] = "d" + letter + "00000000"
	} else {
		m["dev"] = "d000000000"
	}
	if m["by"] == logbook.Server {
		m["dev"] = logbook.Server
	}
	x, err := logbook.ParseEntry(canonical(t, m))
	if err != nil {
		t.Fatalf("%v: %v", m, err)
	}
	return x
}

// person is the id of a person called by a letter, a when none is.
func person(letter any) string {
	switch s, _ := letter.(string); {
	case s == "":
		return "pa00000000"
	case len(s) == 1:
		return "p" + s + "00000000"
	default:
		return s
	}
}

func TestStories(t *testing.T) {
	files, err := filepath.Glob("testdata/*.json")
	if err != nil || len(files) == 0 {
		t.Fatal("no stories", err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".json"), func(t *testing.T) {
			raw, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			var s story
			d := json.NewDecoder(bytes.NewReader(raw))
			d.DisallowUnknownFields()
			d.UseNumber()
			if err := d.Decode(&s); err != nil {
				t.Fatal(err)
			}
			plan := planJSON(t, s.Zone, s.Plan)
			var entries []*logbook.Entry
			for _, m := range s.Entries {
				entries = append(entries, entry(t, m))
			}
			e := New()
			e.SetPlan(parsePlan(t, plan), plan)
			for _, x := range entries {
				e.Add(x)
			}
			check := func(t *testing.T, e *Engine, i int) {
				t.Helper()
				step := s.Steps[i]
				now := spell(step.Now).(int64)
				want := spell(step.Want).(map[string]any)
				want["basis"] = map[string]any{"documents": map[string]any{}, "now": now, "tz": "test", "v": 1}
				got := e.Evaluate(now).AppendJSON(nil)
				if !canon.Is(got) {
					t.Errorf("not canonical: %s", got)
				}
				if w := canonical(t, want); !bytes.Equal(got, w) {
					t.Errorf("%s (%s)\n%s", step.Now, step.Why, difference(got, w))
				}
			}
			for i := range s.Steps {
				check(t, e, i)
			}
			if t.Failed() {
				return
			}
			for i := range s.Steps { // time goes back
				check(t, e, len(s.Steps)-1-i)
			}
			late := New() // entries come last first, one by one, after an evaluation
			late.SetPlan(parsePlan(t, plan), plan)
			for _, x := range slices.Backward(entries) {
				late.Add(x)
				late.Evaluate(spell(s.Steps[len(s.Steps)-1].Now).(int64))
			}
			check(t, late, len(s.Steps)-1) // before going back makes it forget
			for i := range s.Steps {
				check(t, late, i)
			}
		})
	}
}

// difference shows two outputs item by item, with instants as text.
func difference(got, want []byte) string {
	lines := func(b []byte) []string {
		var buf bytes.Buffer
		json.Indent(&buf, b, "", " ")
		return strings.Split(regexp.MustCompile(`\b1[5-9]\d{11}\b`).ReplaceAllStringFunc(buf.String(), func(s string) string {
			var ms int64
			fmt.Sscan(s, &ms)
			return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.999Z")
		}), "\n")
	}
	g, w := lines(got), lines(want)
	var out strings.Builder
	for i := 0; i < max(len(g), len(w)); i++ {
		a, b := "", ""
		if i < len(g) {
			a = g[i]
		}
		if i < len(w) {
			b = w[i]
		}
		mark := " "
		if a != b {
			mark = "!"
		}
		fmt.Fprintf(&out, "%s %-70s %s\n", mark, a, b)
	}
	return out.String()
}
