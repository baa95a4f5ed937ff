package input

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"gatewright/schema/canon"
)

type beam struct {
	X    float64 `json:"x_m" doc:"place along the race" unit:"m" min:"0" below:"20"`
	Name *string `json:"name" doc:"what it is called" most:"3"`
}

type everything struct {
	Number  float64      `json:"number" doc:"a number" unit:"bar" above:"0" max:"12.5"`
	Whole   int          `json:"whole" doc:"a whole number" min:"1" max:"100" default:"7"`
	Large   *int64       `json:"large" doc:"a large whole number"`
	Yes     *bool        `json:"yes" doc:"yes or no"`
	Word    string       `json:"word" doc:"one of two words" one:"wilson exact" default:"wilson"`
	Text    *string      `json:"text" doc:"a text" most:"5"`
	X       []float64    `json:"x" doc:"where" unit:"d" len:"2" most:"4" min:"-5"`
	Y       []float64    `json:"y" doc:"how much" unit:"s" same:"x"`
	Beams   *[]beam      `json:"beams" doc:"the beams"`
	One     *beam        `json:"one" doc:"a beam"`
	Any     *canon.Value `json:"any" doc:"anything"`
	Words   *[]string    `json:"words" doc:"words" one:"a b"`
	Numbers *[][]int     `json:"numbers" doc:"numbers in rows" max:"3"`
}

func read(t *testing.T, json string) (everything, *Problem) {
	t.Helper()
	v, err := canon.Parse([]byte(json))
	if err != nil {
		t.Fatal(err)
	}
	var in everything
	err = Read(v, &in)
	if err == nil {
		return in, nil
	}
	var problem *Problem
	if !errors.As(err, &problem) {
		t.Fatalf("%s: %v is no Problem", json, err)
	}
	return in, problem
}

func TestReadsAndWritesBack(t *testing.T) {
	for in, want := range map[string]string{
		`{"number":1.5,"x":[1,2],"y":[3,4]}`: `{"number":1.5,"whole":7,"word":"wilson","x":[1,2],"y":[3,4]}`,
		`{"number":12.5,"whole":100,"large":-9007199254740991,"yes":false,"word":"exact","text":"äöü","x":[-5,2,3],"y":[3,4,0],` +
			`"beams":[{"x_m":0},{"x_m":19.9,"name":"B2"}],"one":{"x_m":1},"any":null,"words":["a","b"],"numbers":[[1,-2],[3]]}`: ``,
	} {
		got, problem := read(t, in)
		if problem != nil {
			t.Errorf("%s: %v", in, problem)
			continue
		}
		v, err := Write(&got)
		if err != nil {
			t.Errorf("%s: %v", in, err)
		}
		if want == "" {
			b, _ := canon.Canonical([]byte(in))
			want = string(b)
		}
		if b := string(canon.Append(nil, v)); b != want {
			t.Errorf("%s\n got %s\nwant %s", in, b, want)
		}
	}
}

func TestReadNamesTheField(t *testing.T) {
	const rest = `,"x":[1,2],"y":[3,4]}`
	for in, want := range map[string]struct{ field, message string }{
		`[]`:                             {"", "the input must be an object, not a list"},
		`{}`:                             {"number", "is missing"},
		`{"nummer":1` + rest:             {"nummer", "is not known here; known: number, whole, large, yes, word, text, x, y, beams, one, any, words, numbers"},
		`{"number":"1"` + rest:           {"number", "must be a number, not text"},
		`{"number":null` + rest:          {"number", "must be a number, not null"},
		`{"number":0` + rest:             {"number", "must be above 0 and at most 12.5"},
		`{"number":12.6` + rest:          {"number", "must be above 0 and at most 12.5"},
		`{"number":1,"whole":1.5` + rest: {"whole", "must be a whole number"},
		`{"number":1,"whole":0` + rest:   {"whole", "must be at least 1 and at most 100"},
		`{"number":1,"large":9007199254740992` + rest:       {"large", "must be a whole number within plus or minus 9007199254740991"},
		`{"number":1,"large":1e300` + rest:                  {"large", "must be a whole number within plus or minus 9007199254740991"},
		`{"number":1,"yes":1` + rest:                        {"yes", "must be true or false, not a number"},
		`{"number":1,"word":"Exact"` + rest:                 {"word", "must be one of wilson, exact"},
		`{"number":1,"word":2` + rest:                       {"word", "must be text, not a number"},
		`{"number":1,"text":"äöüßéå"` + rest:                {"text", "must have at most 5 characters"},
		`{"number":1,"beams":[]` + rest:                     {"beams", "must have at least 1 item, not 0"},
		`{"number":1,"beams":{}` + rest:                     {"beams", "must be a list, not an object"},
		`{"number":1,"beams":[{"x_m":1},{"x_m":20}]` + rest: {"beams[1].x_m", "must be at least 0 and below 20"},
		`{"number":1,"beams":[{"x_m":1},{}]` + rest:         {"beams[1].x_m", "is missing"},
		`{"number":1,"beams":[1]` + rest:                    {"beams[0]", "must be an object, not a number"},
		`{"number":1,"one":{"x_m":1,"y":2}` + rest:          {"one.y", "is not known here; known: x_m, name"},
		`{"number":1,"one":{"x_m":1,"":2}` + rest:           {`one.""`, "is not known here; known: x_m, name"},
		`{"number":1,"one":{"x_m":1,"name":"long"}` + rest:  {"one.name", "must have at most 3 characters"},
		`{"number":1,"words":["a","c"]` + rest:              {"words[1]", "must be one of a, b"},
		`{"number":1,"numbers":[[1],[2,4]]` + rest:          {"numbers[1][1]", "must be at most 3"},
		`{"number":1,"numbers":[[1],[]]` + rest:             {"numbers[1]", "must have at least 1 item, not 0"},
		`{"number":1,"x":[1],"y":[1]}`:                      {"x", "must have at least 2 items, not 1"},
		`{"number":1,"x":[1,2,3,4,5],"y":[1]}`:              {"x", "must have at most 4 items, not 5"},
		`{"number":1,"x":[1,2,-6],"y":[1,2,3]}`:             {"x[2]", "must be at least -5"},
		`{"number":1,"x":[1,2,3],"y":[1,2]}`:                {"y", "must have as many items as x (3), not 2"},
		`{"number":1,"x":[1,2,3],"y":[1,2,"3"]}`:            {"y[2]", "must be a number, not text"},
	} {
		if _, problem := read(t, in); problem == nil || problem.Field != want.field || problem.Message != want.message {
			t.Errorf("%s:\n got %+v\nwant %+v", in, problem, want)
		}
	}
	long := strings.Repeat("n", 61)
	if _, problem := read(t, `{"`+long+`":1`+rest); problem == nil || problem.Field != long[:60]+"…" {
		t.Errorf("a long name: %+v", problem)
	}
	var in everything
	if err := Read(canon.Value{Kind: canon.Object, Keys: []string{"number"}, Vals: []canon.Value{canon.Num64(math.NaN())}}, &in); err == nil || err.Error() != "number must be finite" {
		t.Errorf("not a number: %v", err)
	}
	if got := (&Problem{Message: "It is all wrong."}).Error(); got != "It is all wrong." {
		t.Errorf("the whole: %s", got)
	}
	if got := Bad("x[3]", "must be here").Error(); got != "x[3] must be here" {
		t.Errorf("a field: %s", got)
	}
}

type answer struct {
	N     float64     `json:"n" doc:"n"`
	I     int64       `json:"i" doc:"i"`
	L     []float64   `json:"l" doc:"l" unit:"s"`
	Rows  []beam      `json:"rows" doc:"rows"`
	Maybe *float64    `json:"maybe" doc:"maybe"`
	V     canon.Value `json:"v" doc:"v"`
}

func TestWrite(t *testing.T) {
	v, err := Write(answer{})
	if b := string(canon.Append(nil, v)); err != nil || b != `{"i":0,"l":[],"n":0,"rows":[],"v":null}` {
		t.Errorf("empty: %s, %v", b, err)
	}
	nan, inf := math.NaN(), math.Inf(-1)
	for want, out := range map[string]answer{
		"n is not finite":                        {N: nan},
		"l[1] is not finite":                     {L: []float64{0, inf}},
		"rows[0].x_m is not finite":              {Rows: []beam{{X: nan}}},
		"maybe is not finite":                    {Maybe: &inf},
		"i is too large a whole number for JSON": {I: 1 << 53},
	} {
		if _, err := Write(out); err == nil || err.Error() != want {
			t.Errorf("%v, want %s", err, want)
		}
	}
}

func TestSchema(t *testing.T) {
	for want, got := range map[string]canon.Value{
		`{"additionalProperties":false,"order":["x_m","name"],"properties":{"name":{"description":"what it is called","maxLength":3,"type":"string"},` +
			`"x_m":{"description":"place along the race","exclusiveMaximum":20,"minimum":0,"type":"number","unit":"m"}},"required":["x_m"],"type":"object"}`: Schema(reflect.TypeFor[beam]()),
		`{"additionalProperties":false,"order":["n","i","l","rows","maybe","v"],"properties":{"i":{"description":"i","type":"integer"},` +
			`"l":{"description":"l","items":{"type":"number"},"type":"array","unit":"s"},"maybe":{"description":"maybe","type":"number"},"n":{"description":"n","type":"number"},` +
			`"rows":{"description":"rows","items":{"additionalProperties":false,"order":["x_m","name"],"properties":{"name":{"description":"what it is called","type":"string"},` +
			`"x_m":{"description":"place along the race","exclusiveMaximum":20,"minimum":0,"type":"number","unit":"m"}},"required":["x_m"],"type":"object"},"type":"array"},"v":{"description":"v"}},` +
			`"required":["n","i","l","rows","v"],"type":"object"}`: AnswerSchema(reflect.TypeFor[answer]()),
	} {
		if b := string(canon.Append(nil, got)); b != want {
			t.Errorf("\n got %s\nwant %s", b, want)
		}
	}
	s := Schema(reflect.TypeFor[everything]())
	properties, _ := s.Get("properties")
	for name, want := range map[string]string{
		"whole":   `{"default":7,"description":"a whole number","maximum":100,"minimum":1,"type":"integer"}`,
		"word":    `{"default":"wilson","description":"one of two words","enum":["wilson","exact"],"type":"string"}`,
		"x":       `{"description":"where","items":{"minimum":-5,"type":"number"},"maxItems":4,"minItems":2,"type":"array","unit":"d"}`,
		"y":       `{"description":"how much","items":{"type":"number"},"maxItems":100000,"minItems":1,"sameLengthAs":"x","type":"array","unit":"s"}`,
		"yes":     `{"description":"yes or no","type":"boolean"}`,
		"any":     `{"description":"anything"}`,
		"numbers": `{"description":"numbers in rows","items":{"items":{"maximum":3,"type":"integer"},"maxItems":100000,"minItems":1,"type":"array"},"maxItems":100000,"minItems":1,"type":"array"}`,
	} {
		v, _ := properties.Get(name)
		if b := string(canon.Append(nil, v)); b != want {
			t.Errorf("%s:\n got %s\nwant %s", name, b, want)
		}
	}
	if required, _ := s.Get("required"); len(required.List) != 3 {
		t.Errorf("%d fields are required, want number, x and y", len(required.List))
	}
	if required, _ := AnswerSchema(reflect.TypeFor[everything]()).Get("required"); len(required.List) != 5 {
		t.Errorf("%d fields are always answered, want number, whole, word, x and y", len(required.List))
	}
}

type ring struct {
	Next *ring `json:"next" doc:"itself"`
}

func TestWrongTagsPanic(t *testing.T) {
	panics := func(name string, f func()) {
		defer func() {
			if recover() == nil {
				t.Errorf("%s: no panic", name)
			}
		}()
		f()
	}
	for name, v := range map[string]any{
		"no struct": 0,
		"no name":   struct{ A int }{},
		"odd name": struct {
			A int `json:"a,omitempty" doc:"a"`
		}{},
		"no doc": struct {
			A int `json:"a"`
		}{},
		"unknown tag": struct {
			A int `json:"a" doc:"a" atleast:"3"`
		}{},
		"not exported": struct {
			a int `doc:"a"`
		}{},
		"odd type": struct {
			A float32 `json:"a" doc:"a"`
		}{},
		"bound of text": struct {
			A string `json:"a" doc:"a" min:"3"`
		}{},
		"bound no number": struct {
			A int `json:"a" doc:"a" min:"three"`
		}{},
		"two bounds": struct {
			A int `json:"a" doc:"a" min:"3" above:"3"`
		}{},
		"unit of text": struct {
			A string `json:"a" doc:"a" unit:"m"`
		}{},
		"words of number": struct {
			A int `json:"a" doc:"a" one:"b c"`
		}{},
		"no words": struct {
			A string `json:"a" doc:"a" one:" "`
		}{},
		"length of number": struct {
			A int `json:"a" doc:"a" len:"2"`
		}{},
		"size of number": struct {
			A int `json:"a" doc:"a" most:"2"`
		}{},
		"impossible length": struct {
			A []int `json:"a" doc:"a" len:"3" most:"2"`
		}{},
		"odd length": struct {
			A []int `json:"a" doc:"a" len:"-3"`
		}{},
		"pointers in list": struct {
			A []*int `json:"a" doc:"a"`
		}{},
		"default of list": struct {
			A []int `json:"a" doc:"a" default:"[1]"`
		}{},
		"default outside": struct {
			A int `json:"a" doc:"a" max:"2" default:"3"`
		}{},
		"default unreadable": struct {
			A int `json:"a" doc:"a" default:"x"`
		}{},
		"same as none": struct {
			A []int `json:"a" doc:"a" same:"b"`
		}{},
		"itself": ring{},
	} {
		panics(name, func() { Schema(reflect.TypeOf(v)) })
	}
	twice := reflect.StructOf([]reflect.StructField{
		{Name: "A", Type: reflect.TypeFor[int](), Tag: `json:"a" doc:"a"`}, {Name: "B", Type: reflect.TypeFor[int](), Tag: `json:"a" doc:"a"`},
	})
	panics("same name", func() { Schema(twice) })
	panics("Read into no pointer", func() { _ = Read(canon.Value{}, beam{}) })
	panics("Write of no struct", func() { _, _ = Write(3) })
}

// FuzzRead: whatever JSON comes, what is read can be written, and what was
// written is read as the same.
func FuzzRead(f *testing.F) {
	for _, s := range []string{
		`{"number":1.5,"x":[1,2],"y":[3,4]}`,
		`{"number":12.5,"whole":100,"large":-9007199254740991,"yes":false,"word":"exact","text":"äöü","x":[-5,2,3],"y":[3,4,0],"beams":[{"x_m":0},{"x_m":19.9,"name":"B2"}],"one":{"x_m":1},"any":{"a":[null]},"words":["a","b"],"numbers":[[1,-2],[3]]}`,
		`{"number":1,"beams":[{"x_m":1},{"x_m":20}],"x":[1,2],"y":[3,4]}`, `{"x":[[]]}`, `[]`, `null`, `{"":1}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, json []byte) {
		v, err := canon.Parse(json)
		if err != nil {
			return
		}
		var in, again everything
		if err := Read(v, &in); err != nil {
			var problem *Problem
			if !errors.As(err, &problem) || problem.Message == "" {
				t.Fatalf("%s: %#v", json, err)
			}
			return
		}
		out, err := Write(in)
		if err != nil {
			t.Fatalf("%s: %v", json, err)
		}
		if err := Read(out, &again); err != nil {
			t.Fatalf("%s was written as %s: %v", json, canon.Append(nil, out), err)
		}
		twice, _ := Write(again)
		if a, b := string(canon.Append(nil, out)), string(canon.Append(nil, twice)); a != b {
			t.Fatalf("%s became %s, then %s", json, a, b)
		}
	})
}
