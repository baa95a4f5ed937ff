package calc

import (
	"encoding/json"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"gatewright/schema/canon"
	"gatewright/schema/input"
)

// names are what programs ask for: none is ever renamed or taken away.
var names = []string{
	"air.cylinder", "air.flow", "air.leakdown", "air.load", "beam.gain", "chart.cusum", "chart.ewma", "chart.individuals",
	"chart.proportion", "due.next", "radio.fit", "radio.free_space", "rate.difference", "rate.interval", "reader.zone",
	"record.canonical", "tag.check", "tolerance.check", "trend.crossing", "trend.line", "trend.robust", "unit.convert",
}

func TestNames(t *testing.T) {
	var have []string
	for _, c := range All() {
		have = append(have, c.Name)
		if c.About == "" || c.Source == "" || strings.Contains(c.About+c.Source, "\n") {
			t.Errorf("%s: wants one line about it and one of its source", c.Name)
		}
		if found, ok := Find(c.Name); !ok || found.Name != c.Name {
			t.Errorf("%s is not found", c.Name)
		}
	}
	if !slices.Equal(have, names) {
		t.Errorf("the list holds\n%v, want\n%v", have, names)
	}
}

// examples reads testdata/examples.json: one input a calculation.
func examples(t testing.TB) map[string]json.RawMessage {
	t.Helper()
	b, err := os.ReadFile("testdata/examples.json")
	if err != nil {
		t.Fatal(err)
	}
	var all map[string]json.RawMessage
	if err := json.Unmarshal(b, &all); err != nil {
		t.Fatal(err)
	}
	return all
}

func TestExamples(t *testing.T) {
	all := examples(t)
	for _, c := range All() {
		in, ok := all[c.Name]
		if !ok {
			t.Errorf("%s has no example", c.Name)
			continue
		}
		out, err := Run(c.Name, in)
		if err != nil || !canon.Is(out) {
			t.Errorf("%s: %s, %v", c.Name, out, err)
			continue
		}
		again, err := Run(c.Name, in)
		if err != nil || string(again) != string(out) {
			t.Errorf("%s gives another answer the second time: %s, %v", c.Name, again, err)
		}
	}
	for name := range all {
		if _, ok := Find(name); !ok {
			t.Errorf("there is an example of %s, which does not exist", name)
		}
	}
}

func TestProblems(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"no.such", `{}`, `{"error":{"field":"name","message":"name is that of no calculation here"}}`},
		{"", `{}`, `{"error":{"field":"name","message":"name is that of no calculation here"}}`},
		{"record.canonical", ``, `{"error":{"field":"","message":"the JSON cannot be read: the JSON ends where a value should be (at byte 0)"}}`},
		{"record.canonical", `{"value":1e999}`, `{"error":{"field":"value","message":"value cannot be read: a number is too large (at byte 9)"}}`},
		{"record.canonical", `{"value":[1,x]}`, `{"error":{"field":"value[1]","message":"value[1] cannot be read: no JSON value starts like this (at byte 12)"}}`},
		{"record.canonical", strings.Repeat("[", 70), `{"error":{"field":"","message":"the JSON cannot be read: the JSON is nested more than 64 deep (at byte 65)"}}`},
		{"record.canonical", `[x`, `{"error":{"field":"","message":"the JSON cannot be read: no JSON value starts like this (at byte 1)"}}`},
		{"record.canonical", `{}`, `{"error":{"field":"value","message":"value is missing"}}`},
		{"record.canonical", `{"value":1,"v":2}`, `{"error":{"field":"v","message":"v is not known here; known: value"}}`},
		{"record.canonical", `[]`, `{"error":{"field":"","message":"the input must be an object, not a list"}}`},
	} {
		out, err := Run(c.name, []byte(c.in))
		var problem *input.Problem
		if out != nil || !errors.As(err, &problem) || string(ProblemJSON(err)) != c.want {
			t.Errorf("%s %s: %s, %v; want %s", c.name, c.in, out, err, c.want)
		}
	}
	odd := add("odd", "fails", "none", func(struct{}) (struct{}, error) { return struct{}{}, errors.New("it failed") })
	_, err := odd.Run([]byte(`{}`))
	var problem *input.Problem
	if !errors.As(err, &problem) || problem.Message != "it failed" {
		t.Errorf("an error of another kind: %v", err)
	}
}

func TestListJSON(t *testing.T) {
	b := ListJSON()
	if !canon.Is(b) {
		t.Fatal("the list is not canonical JSON")
	}
	var list struct {
		Calculations []struct {
			Name, About, Source string
			Input, Output       struct {
				Schema, Title, Type string
				Properties          map[string]any
			}
		}
	}
	if err := json.Unmarshal(b, &list); err != nil {
		t.Fatal(err)
	}
	if len(list.Calculations) != len(All()) {
		t.Fatalf("%d in the list, %d registered", len(list.Calculations), len(All()))
	}
	for _, c := range list.Calculations {
		if c.Input.Type != "object" || c.Output.Type != "object" || c.Input.Title != c.Name || len(c.Input.Properties) == 0 || len(c.Output.Properties) == 0 {
			t.Errorf("%s is described as %+v", c.Name, c)
		}
	}
}

// nonsense is what no field expects, and what some do.
var nonsense = []string{
	`null`, `true`, `false`, `""`, `"x"`, `"\ud83d\ude02"`, `{}`, `[]`, `[[]]`, `[null]`, `0`, `-0`, `1`, `-1`, `2`, `0.5`, `1e-9`, `5e-324`, `1e15`, `-1e15`, `9007199254740991`,
	`1e100`, `-1e100`, `1.7976931348623157e308`, `-1.7976931348623157e308`, `[0]`, `[0,0,0]`, `[1e100,-1e100,1e100]`, `[5e-324,0,1]`, `[1,1,1,1,1,1,1,1]`,
	`"2026-02-30T00:00:00"`, `"9999-12-31T23:59:59"`, `"FREQ=SECONDLY"`, `"FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"`, `"FREQ=MINUTELY;BYDAY=5MO;BYYEARDAY=366"`, `"999999999999999"`, `"ffffffffffffffff"`,
}

// Each field of each example, and each two of them, as nonsense: an answer or
// an error that names a field, and never a number that is none.
func TestNonsense(t *testing.T) {
	for name, example := range examples(t) {
		v, err := canon.Parse(example)
		if err != nil {
			t.Fatal(err)
		}
		c, _ := Find(name)
		properties, _ := c.Input.Get("properties")
		for i, a := range properties.Keys {
			for _, b := range properties.Keys[i:] {
				for x, one := range nonsense {
					for y, other := range nonsense {
						if a == b && x != y {
							continue
						}
						in := canon.Value{Kind: canon.Object, Keys: slices.Clone(v.Keys), Vals: slices.Clone(v.Vals)}
						for _, put := range [][2]string{{a, one}, {b, other}} {
							value, err := canon.Parse([]byte(put[1]))
							if err != nil {
								t.Fatal(put[1], err)
							}
							in.Set(put[0], value)
						}
						checkRun(t, name, canon.Append(nil, in))
					}
				}
			}
		}
	}
}

func checkRun(t *testing.T, name string, in []byte) {
	t.Helper()
	out, err := Run(name, in)
	if err != nil {
		var problem *input.Problem
		if out != nil || !errors.As(err, &problem) || problem.Message == "" {
			t.Fatalf("%s %s: %q, %#v", name, in, out, err)
		}
		if strings.Contains(problem.Message, "finite") {
			t.Errorf("%s %s: %v", name, in, err)
		}
		return
	}
	if !canon.Is(out) {
		t.Fatalf("%s %s: %q is not canonical", name, in, out)
	}
}

// FuzzRun: no JSON makes a calculation panic, hang or answer what is no JSON.
func FuzzRun(f *testing.F) {
	for name, in := range examples(f) {
		f.Add(name, []byte(in))
		f.Add(name[1:], []byte(in))
	}
	f.Fuzz(func(t *testing.T, name string, in []byte) {
		checkRun(t, name, in)
		// A name that mutation has spoilt still chooses one of the list.
		sum := 0
		for _, b := range []byte(name) {
			sum += int(b)
		}
		checkRun(t, all[sum%len(all)].Name, in)
	})
}
