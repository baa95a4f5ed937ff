package entryschema

import (
	"bytes"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"gatewright/schema/canon"
	"gatewright/schema/logbook"
)

func compile(t testing.TB, id string, schema []byte) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schema))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	c.AssertContent()
	if err := c.AddResource(id, doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile(id)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// pool holds values that are put in the place of every other.
var pool = func() []any {
	long := strings.Repeat("é", 121)
	var out []any
	for _, s := range []string{
		"null", "true", "false", "0", "-1", "1", "2", "7", "8", "32", "1.5", "0.0000001", "-0.000001", "1e9", "1000000000.000001", "1e300", "1e12", "1e15", "946684799999", "946684800000", "1794900240000",
		"4102444799999", "4102444800000", "-4102444799999", "-4102444800000",
		`""`, `"x"`, `"X"`, `"9x"`, `"-x"`, `"x_y"`, `"a23456789012345x"`, `"a23456789012345xy"`, `"a2345678901234567890123456789012"`, `"a23456789012345678901234567890123"`,
		`"p0a1b2c3d4"`, `"d0a1b2c3d4"`, `"p0a1b2c3du"`, `"server"`, `"x/y"`, `"x/"`, `"limit/01M7HK2TB0ZZZZZZZZZZZZZZZZ"`, `"a.b.c"`, `"a..c"`, `".b.c"`, `"a.b"`, `"a.b.c.d"`,
		`"01M7HK2TB0ZZZZZZZZZZZZZZZZ"`, `"00VHNCZB000000000000000000"`, `"00VHNCZAZZZZZZZZZZZZZZZZZZ"`, `"03QCPC7NZZZZZZZZZZZZZZZZZZ"`, `"03QCPC7P000000000000000000"`, `"01M7HK2TB0ZZZZZZZZZZZZZZZI"`, `"81M7HK2TB0ZZZZZZZZZZZZZZZZ"`,
		`"below"`, `"bar"`, `"thumb"`, `"image/png"`, `"manual"`, `"opened"`, `"shown"`, `"relayed"`, `"frost"`, `"2026-11-25"`, `"2026-13-25"`, `"1999-01-01"`, `"2026-11-32"`,
		`"day"`, `"look"`, `"air"`, `"law"`, `"en"`, `"AA=="`, `"Europe/Dublin"`, `"6ba7b810-9dad-11d1-80b4-00c04fd430c8"`, `"6BA7B810-9dad-11d1-80b4-00c04fd430c8"`, `"line\n"`,
		`[]`, `{}`, `["a"]`, `["a","a"]`, `["lock"]`, `["lock","lock"]`, `[1]`, `[0.5,-2]`, `[null]`, `"[]"`, `"{}"`, `"[1]"`, `"[1,1]"`, `"[\"a\"]"`, `"not json"`, `"[{}]"`,
		`"` + long + `"`, `"` + strings.Repeat("é", 2000) + `"`, `"` + strings.Repeat("e", 2001) + `"`, `"` + strings.Repeat("y", 4001) + `"`,
		`["a","b","c","d","e","f","g","h","i","j","k","l","m","n","o","p","q"]`, `[1,1,1,1,1,1,1,1,1,1,1,1,1,1,1,1,1,1,1,1,1]`,
	} {
		out = append(out, decode([]byte(s)))
	}
	return out
}()

// bounds gives values just inside and just outside every bound that a schema
// states, so that a bound which differs by one in the Go code is noticed.
func bounds(schema any) []any {
	numbers, lengths := map[string]bool{}, map[int]bool{}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, x := range v {
				walk(x)
			}
		case map[string]any:
			for key, x := range v {
				n, ok := x.(json.Number)
				if !ok {
					walk(x)
					continue
				}
				i, err := n.Int64()
				if err != nil {
					continue
				}
				switch key {
				case "minimum", "maximum":
					for d := int64(-1); d <= 1; d++ {
						numbers[strconv.FormatInt(i+d, 10)] = true
					}
				case "minLength", "maxLength", "minItems", "maxItems":
					lengths[int(i)] = true
					lengths[int(i)+1] = true
				}
			}
		}
	}
	walk(schema)
	var out []any
	for _, n := range slices.Sorted(maps.Keys(numbers)) {
		out = append(out, json.Number(n))
	}
	for _, n := range slices.Sorted(maps.Keys(lengths)) {
		out = append(out, strings.Repeat("a", n))
		if n > 1000 { // in the form of a signature
			out = append(out, "a."+strings.Repeat("a", n-4)+".a")
		}
		if n > 4000 {
			continue
		}
		var list, ones []any
		for i := range n {
			list = append(list, "w"+strconv.Itoa(i))
			ones = append(ones, json.Number(strconv.Itoa(i+1)))
		}
		out = append(out, list, ones)
	}
	return out
}

func decode(b []byte) any {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		panic(err)
	}
	return v
}

// canonical writes a mutant as an entry would be stored.
func canonical(t *testing.T, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	out, err := canon.Canonical(b)
	if err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	return out
}

// mutants gives each object of v (found below it, too) with every member
// deleted or replaced by everything in the pool, then each with every known
// field added, for a third of the pool; bounds replace values of their type; strings are also bent at their ends, numbers moved by little.
func mutants(v any, known []string, bounds []any, emit func(mutant any)) {
	switch v := v.(type) {
	case map[string]any:
		for _, key := range slices.Sorted(maps.Keys(v)) {
			whole := v[key]
			with := func(x any) {
				m := maps.Clone(v)
				m[key] = x
				emit(m)
			}
			m := maps.Clone(v)
			delete(m, key)
			emit(m)
			for _, x := range pool {
				with(x)
			}
			for _, x := range bend(whole) {
				with(x)
			}
			for _, x := range bounds {
				if reflect.TypeOf(x) == reflect.TypeOf(whole) {
					with(x)
				}
			}
			mutants(whole, known, bounds, with)
			if s, ok := whole.(string); ok && (strings.HasPrefix(s, "[") || strings.HasPrefix(s, "{")) {
				if inner, err := jsonschema.UnmarshalJSON(strings.NewReader(s)); err == nil {
					mutants(inner, known, bounds, func(x any) {
						b, _ := json.Marshal(x)
						if c, err := canon.Canonical(b); err == nil {
							with(string(c))
						}
					})
				}
			}
		}
		for _, key := range known {
			if _, ok := v[key]; ok {
				continue
			}
			for i := 0; i < len(pool); i += 3 {
				m := maps.Clone(v)
				m[key] = pool[i]
				emit(m)
			}
		}
	case []any:
		with := func(i int, x any) {
			l := slices.Clone(v)
			l[i] = x
			emit(l)
		}
		for i := range v {
			for _, x := range pool {
				with(i, x)
			}
			mutants(v[i], nil, bounds, func(x any) { with(i, x) })
			emit(slices.Delete(slices.Clone(v), i, i+1))
		}
		if len(v) > 0 {
			emit(append(slices.Clone(v), v[0]))
		}
	}
}

func bend(v any) []any {
	switch v := v.(type) {
	case string:
		if v == "" || len(v) > 200 {
			return nil
		}
		r := []rune(v)
		return []any{v + "x", v + "\n", " " + v, string(r[1:]), string(r[:len(r)-1]), strings.ToUpper(v), strings.ToLower(v), v + v}
	case json.Number:
		more := json.Number(v + "0")
		if v == "0" {
			more = "0.5"
		}
		return []any{more, json.Number("1" + strings.TrimPrefix(string(v), "-")), json.Number("-" + strings.TrimPrefix(string(v), "-"))}
	}
	return nil
}

func TestEntriesAgree(t *testing.T) {
	t.Parallel()
	schema := compile(t, "urn:gatewright:entry:1", Entry())
	file, err := os.ReadFile("../logbook/testdata/entries.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	known := entryFields(t)
	edges := bounds(decode(Entry()))
	type tally struct{ good, bad, beyond int }
	counts := map[string]*tally{}
	disagreements := 0
	judge := func(kind string, mutant any) {
		raw := canonical(t, mutant)
		_, err := logbook.ParseEntry(raw)
		says := schema.Validate(decode(raw))
		c := counts[kind]
		switch {
		case err == nil && says == nil:
			c.good++
			return
		case err != nil && says != nil:
			c.bad++
			return
		}
		var p *logbook.Problem
		if errors.As(err, &p) && p.Relation() && says == nil {
			c.beyond++
			return
		}
		if disagreements++; disagreements <= 20 {
			t.Errorf("%.400s\nParseEntry: %v\nschema: %v", raw, err, says)
		}
	}
	for line := range bytes.Lines(file) {
		sample := decode(line).(map[string]any)
		kind := sample["kind"].(string)
		fields := known // added to the first sample of a kind only
		if counts[kind] == nil {
			counts[kind] = &tally{}
		} else {
			fields = nil
		}
		judge(kind, sample)
		mutants(sample, fields, edges, func(m any) { judge(kind, m) })
	}
	total := 0
	for _, k := range logbook.Kinds() {
		c := counts[string(k)]
		if c == nil || c.good < 5 || c.bad < 100 {
			t.Errorf("%s: too few mutants on one side: %+v", k, c)
			continue
		}
		total += c.good + c.bad + c.beyond
		t.Logf("%-10s %5d good %5d bad %4d beyond a schema", k, c.good, c.bad, c.beyond)
	}
	t.Logf("%d mutants, %d disagreements", total, disagreements)
}

// entryFields are the fields that the schema names, of all kinds.
func entryFields(t *testing.T) []string {
	t.Helper()
	var s struct {
		Properties map[string]any
		Defs       map[string]struct{ Properties map[string]any } `json:"$defs"`
	}
	if err := json.Unmarshal(Entry(), &s); err != nil {
		t.Fatal(err)
	}
	set := map[string]bool{}
	for k := range s.Properties {
		set[k] = true
	}
	for name, d := range s.Defs {
		if strings.HasPrefix(name, "kind-") {
			for k := range d.Properties {
				set[k] = true
			}
		}
	}
	if len(set) < 50 {
		t.Fatalf("only %d fields", len(set))
	}
	return slices.Sorted(maps.Keys(set))
}

func TestPlansAgree(t *testing.T) {
	t.Parallel()
	schema := compile(t, "urn:gatewright:plan:1", Plan())
	file, err := os.ReadFile("../logbook/testdata/plan.json")
	if err != nil {
		t.Fatal(err)
	}
	good, bad, beyond, disagreements := 0, 0, 0, 0
	judge := func(mutant any) {
		raw := canonical(t, mutant)
		p, err := logbook.ParsePlan(raw)
		says := schema.Validate(decode(raw))
		related := 0
		var plain *logbook.Problem
		if err == nil {
			for i, q := range p.Problems {
				if q.Relation() {
					related++
				} else if plain == nil {
					plain = &p.Problems[i]
				}
			}
		}
		refused := err != nil || plain != nil
		switch {
		case refused && says != nil:
			bad++
		case !refused && says == nil && related > 0:
			beyond++
		case !refused && says == nil:
			good++
		default:
			if disagreements++; disagreements <= 20 {
				t.Errorf("ParsePlan: %v %+v\nschema: %v", err, plain, says)
			}
		}
	}
	sample := decode(file)
	judge(sample)
	mutants(sample, nil, bounds(decode(Plan())), judge)
	if good < 200 || bad < 2000 || beyond < 50 {
		t.Errorf("%d good, %d bad, %d beyond a schema: too few on one side", good, bad, beyond)
	}
	t.Logf("%d good, %d bad, %d beyond a schema, %d disagreements", good, bad, beyond, disagreements)
}

// The plan schema names the fields that logbook does, and no others.
func TestPlanFieldsAgree(t *testing.T) {
	var s struct {
		Defs map[string]struct{ Properties map[string]any } `json:"$defs"`
	}
	if err := json.Unmarshal(Plan(), &s); err != nil {
		t.Fatal(err)
	}
	for collection, def := range map[string]string{"site": "site", "gates": "gate", "parts": "part", "checks": "check", "rounds": "round"} {
		got := slices.Sorted(maps.Keys(s.Defs[def].Properties))
		want := logbook.PlanFields(collection)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s: the schema has %v, logbook %v", collection, got, want)
		}
	}
}
