package logbook

import (
	"bytes"
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"

	"gatewright/schema/num"
)

// samples are canonical entries of every kind, one a line.
func samples(t testing.TB) [][]byte {
	t.Helper()
	b, err := os.ReadFile("testdata/entries.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Split(bytes.TrimSuffix(b, []byte("\n")), []byte("\n"))
}

func TestEverySampleParsesAndEncodes(t *testing.T) {
	seen := map[Kind]int{}
	for _, raw := range samples(t) {
		e, err := ParseEntry(raw)
		if err != nil {
			t.Errorf("%s\n%v", raw, err)
			continue
		}
		seen[e.Kind]++
		if !bytes.Equal(e.Raw, raw) {
			t.Errorf("Raw differs from what was read")
		}
		out, err := e.Encode()
		if err != nil {
			t.Errorf("encoding %s: %v", raw, err)
			continue
		}
		if bytes.Contains(raw, []byte(`"later"`)) { // an unknown field is in Raw only
			if bytes.Contains(out, []byte(`"later"`)) {
				t.Errorf("Encode wrote an unknown field")
			}
			continue
		}
		if !bytes.Equal(out, raw) {
			t.Errorf("encoded\n%s, read\n%s", out, raw)
		}
	}
	for _, k := range Kinds() {
		if seen[k] == 0 {
			t.Errorf("no sample of kind %s", k)
		}
	}
	if len(Kinds()) != 27 {
		t.Errorf("%d kinds, want 27", len(Kinds()))
	}
}

func TestFieldsOfAReading(t *testing.T) {
	raw := `{"at":1794900240000,"before":true,"by":"p0a1b2c3d4","check":"stroke","dev":"d9z8y7x6w5","gate":"east","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"reading","method":"thumb","off":-1500,"repeats":[0.61,0.7],"replaces":"01M7HK2TB0ZZZZZZZZZZZZZZZY","u":0.15,"unit":"s","v":1,"value":0.65}`
	e, err := ParseEntry([]byte(raw))
	if err != nil {
		t.Fatal(err)
	}
	want := &Entry{
		ID: "01M7HK2TB0ZZZZZZZZZZZZZZZZ", V: 1, Kind: Reading, At: 1794900240000, Off: -1500,
		By: "p0a1b2c3d4", Dev: "d9z8y7x6w5", Gate: "east", Check: "stroke", Replaces: "01M7HK2TB0ZZZZZZZZZZZZZZZY",
		HasValue: true, Value: 650000, Unit: "s", Method: "thumb", Repeats: []num.Micro{610000, 700000},
		HasU: true, U: 150000, Before: true, Raw: []byte(raw),
	}
	if !reflect.DeepEqual(e, want) {
		t.Errorf("got %+v\nwant %+v", e, want)
	}
}

const stub = `"at":1794900240000,"by":"p0a1b2c3d4","dev":"d9z8y7x6w5","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ",`

// Each case is what follows in an object with good common fields, or the whole
// text when it does not start with a quote.
func TestProblemsNameTheField(t *testing.T) {
	long := strings.Repeat("ä", MaxText+1)
	for _, c := range []struct{ in, field, detail string }{
		{``, "", "the entry is empty"},
		{`[]`, "", "the entry must be an object, not a list"},
		{`{`, "", "the entry is not JSON: an object wants a key in quotes here (at byte 1)"},
		{"{\"x\":\"" + strings.Repeat("x", MaxEntryBytes) + `"}`, "", "the entry is larger than 8 KiB"},
		{`{}`, "id", "id is missing"},
		{`"kind":"tick","v":1`, "check", "check is missing"},
		{`"check":"","kind":"tick","v":1`, "check", "check is empty"},
		{`"check":"Lens","kind":"tick","v":1`, "check", "check must be 1 to 16 of a-z, 0-9 and -, starting with a letter"},
		{`"check":"a23456789012345-7","kind":"tick","v":1`, "check", "check must be 1 to 16 of a-z, 0-9 and -, starting with a letter"},
		{`"check":7,"kind":"tick","v":1`, "check", "check must be text, not a number"},
		{`"bad":"yes","check":"lens","kind":"tick","v":1`, "bad", "bad must be true or false, not text"},
		{`"check":"lens","kind":"tick","text":null,"v":1`, "text", "text must be text, not null"},
		{`"check":"lens","kind":"tick","text":"` + long + `","v":1`, "text", "text is longer than 2000 characters"},
		{`"check":"lens","kind":"tick"`, "v", "v is missing"},
		{`"check":"lens","kind":"tick","v":2`, "v", "v must be at most 1"},
		{`"kind":"polish","v":1`, "kind", "kind is unknown"},
		{`"kind":"","v":1`, "kind", "kind is empty"},
		{`"check":"p","kind":"reading","unit":"bar","v":1,"value":"6"`, "value", "value must be a number, not text"},
		{`"check":"p","kind":"reading","unit":"bar","v":1,"value":NaN`, "value", "value is not JSON: no JSON value starts like this (at byte 147)"},
		{`"check":"p","kind":"reading","unit":"bar","v":1,"value":1e999`, "value", "value is not JSON: a number is too large (at byte 147)"},
		{`"check":"p","kind":"reading","unit":"bar","v":1,"value":1e+21`, "value", "value is beyond plus or minus 1000000000"},
		{`"check":"p","kind":"reading","unit":"bar","v":1,"value":1e-7`, "value", "value has more than six decimals"},
		{`"check":"p","kind":"reading","unit":"Bar","v":1,"value":6`, "unit", "unit is not a unit that is known here, such as bar, s or %"},
		{`"check":"p","kind":"reading","v":1,"value":6`, "unit", "unit is missing beside value"},
		{`"check":"p","kind":"reading","v":1`, "value", "value is missing, and so is marks"},
		{`"check":"p","kind":"reading","marks":"near","v":1`, "marks", "marks must be one of below, between, above"},
		{`"check":"p","kind":"reading","marks":"below","unit":"bar","v":1,"value":6`, "marks", "marks cannot stand beside value: a reading is one or the other"},
		{`"check":"p","kind":"reading","u":-0.1,"unit":"bar","v":1,"value":6`, "u", "u must be at least 0"},
		{`"check":"p","kind":"reading","repeats":[],"unit":"bar","v":1,"value":6`, "repeats", "repeats is an empty list"},
		{`"check":"p","kind":"reading","repeats":[1,"2"],"unit":"bar","v":1,"value":6`, "repeats[1]", "repeats[1] must be a number, not text"},
		{`"gate":"east","hits":3,"kind":"count","trials":2,"v":1`, "hits", "hits must not be greater than trials"},
		{`"gate":"east","hits":0,"kind":"count","trials":0,"v":1`, "trials", "trials must be at least 1"},
		{`"gate":"east","hits":1.5,"kind":"count","trials":2,"v":1`, "hits", "hits must be a whole number"},
		{`"kind":"note","v":1`, "text", "text is missing, and so are chips"},
		{`"chips":["a","b","a"],"kind":"note","v":1`, "chips[2]", "chips[2] repeats a"},
		{`"chips":{"0":"a"},"kind":"note","v":1`, "chips", "chips must be a list, not an object"},
		{`"gate":"east","kind":"isolate","steps":["lock","jump"],"v":1`, "steps[1]", "steps[1] must be one of isolate, lock, vent, try, pin"},
		{`"kind":"void","of":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","v":1`, "of", "of must name an earlier entry than id"},
		{`"check":"lens","kind":"tick","replaces":"01M7HK2TC0ZZZZZZZZZZZZZZZZ","v":1`, "replaces", "replaces must name an earlier entry than id"},
		{`"check":"lens","kind":"tick","replaces":"01m7hk2tc0zzzzzzzzzzzzzzzz","v":1`, "replaces", "replaces must be an entry id: digits and capitals without I, L, O, U, the first at most 7"},
		{`"flag":"limit","kind":"take","v":1`, "flag", "flag must be the subject of a flag, such as limit/supply"},
		{`"gate":"east","kind":"park","v":1`, "out", "out is missing"},
		{`"flag":"limit/p","kind":"dismiss","v":1`, "why", "why is missing"},
		{`"kind":"event","event":"rain","v":1`, "event", "event must be one of power-cut, wash-down, frost, air-off, animals-new"},
		{`"kind":"taught","person":"server1","step":"shown","topic":"t","v":1`, "person", "person must be a person's id (p and nine characters) or server"},
		{`"from":1794900240000,"gate":"e","kind":"milking","passages":1,"read":1,"sorted":0,"to":1794900240000,"v":1`, "to", "to must be later than from"},
		{`"from":1794900240000,"gate":"e","kind":"milking","passages":1,"read":2,"sorted":0,"to":1794900250000,"v":1`, "read", "read must not be greater than passages"},
		{`"item":"x","kind":"fitted","part":"ram","v":1,"warranty":"2026-13-01"`, "warranty", "warranty must be a day of the years 2000 to 2099, such as 2026-11-25"},
		{`"jws":"a.b","kind":"sign","v":1,"visit":"v1"`, "jws", "jws must be a compact JWS of at most 7000 characters"},
		{`"kind":"tick","check":"lens","v":1`, "", "the entry is not in its canonical form (RFC 8785)"},
		{`{"at":946684799999,"by":"p0a1b2c3d4","dev":"d9z8y7x6w5","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"note","text":"x","v":1}`, "at", "at is before the year 2000"},
		{`{"at":4102444800000,"by":"p0a1b2c3d4","dev":"d9z8y7x6w5","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"note","text":"x","v":1}`, "at", "at is after the year 2099"},
		{`{"at":1794900240000.5,"by":"p0a1b2c3d4","dev":"d9z8y7x6w5","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"note","text":"x","v":1}`, "at", "at must be a whole number"},
		{`{"at":1794900240000,"by":"p0a1b2c3d4","dev":"d9z8y7x6w5","id":"81M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"note","text":"x","v":1}`, "id", "id must be an entry id: digits and capitals without I, L, O, U, the first at most 7"},
		{`{"at":1794900240000,"by":"p0a1b2c3d4","dev":"d9z8y7x6w5","id":"01M7HK2TB0ZZZZZZZZZZZZZZZ","kind":"note","text":"x","v":1}`, "id", "id must be an entry id of 26 characters"},
		{`{"at":1794900240000,"by":"p0a1b2c3d4","dev":"d9z8y7x6w5","id":"00VHNCZAZZZZZZZZZZZZZZZZZZ","kind":"note","text":"x","v":1}`, "id", "id carries a time outside the years 2000 to 2099"},
		{`{"at":1794900240000,"by":"Mary","dev":"d9z8y7x6w5","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"note","text":"x","v":1}`, "by", "by must be a person's id (p and nine characters) or server"},
		{`{"at":1794900240000,"by":"p0a1b2c3d4","dev":"server","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"note","text":"x","v":1}`, "dev", "dev must be server exactly when by is"},
		{`{"at":1794900240000,"at":1794900240000}`, "", "the entry is not JSON: an object has the same key twice (at byte 20)"},
	} {
		in := c.in
		if strings.HasPrefix(in, `"`) {
			// Not in canonical order, but that is judged last.
			in = "{" + stub + in + "}"
		}
		e, err := ParseEntry([]byte(in))
		var p *Problem
		if !errors.As(err, &p) || e != nil {
			t.Errorf("%.200s: no problem, want %s", in, c.detail)
			continue
		}
		if p.Field != c.field || p.Detail != c.detail {
			t.Errorf("%.300s\n got %q: %s\nwant %q: %s", in, p.Field, p.Detail, c.field, c.detail)
		}
	}
}

func TestEncodeRefusesWhatParseWould(t *testing.T) {
	good := Entry{ID: NewEntryID(1794900240000, [10]byte{1}), Kind: Reading, At: 1794900240000, By: "p0a1b2c3d4", Dev: "d9z8y7x6w5", Check: "supply", HasValue: true, Value: 6500000, Unit: "bar"}
	raw, err := good.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"at":1794900240000,"by":"p0a1b2c3d4","check":"supply","dev":"d9z8y7x6w5","id":"` + string(good.ID) + `","kind":"reading","unit":"bar","v":1,"value":6.5}`; string(raw) != want {
		t.Errorf("got %s\nwant %s", raw, want)
	}
	for field, spoil := range map[string]func(*Entry){
		"kind":  func(e *Entry) { e.Kind = "x" },
		"unit":  func(e *Entry) { e.Unit = "" },
		"at":    func(e *Entry) { e.At = 0 },
		"id":    func(e *Entry) { e.ID = "" },
		"by":    func(e *Entry) { e.By = "" },
		"v":     func(e *Entry) { e.V = 3 },
		"check": func(e *Entry) { e.Check = "" },
		"value": func(e *Entry) { e.Value = num.MicroMax + 1 },
	} {
		e := good
		spoil(&e)
		_, err := e.Encode()
		var p *Problem
		if !errors.As(err, &p) || p.Field != field {
			t.Errorf("spoilt %s: %v", field, err)
		}
	}
}

// The months of a log are UTC, and their edges are exact.
func TestMonth(t *testing.T) {
	for ms, want := range map[int64]string{
		FirstInstant: "2000-01", LastInstant: "2099-12",
		1793491199999: "2026-10", 1793491200000: "2026-11", FirstInstant - 1: "", LastInstant + 1: "",
	} {
		id := NewEntryID(ms, [10]byte{0xff})
		if got := id.Month(); got != want {
			t.Errorf("%d: %q, want %q", ms, got, want)
		}
		if id.Time() != ms {
			t.Errorf("%d came back as %d", ms, id.Time())
		}
		doc := ""
		if want != "" {
			doc = "log/" + want
		}
		if id.Document() != doc {
			t.Errorf("%d: document %q", ms, id.Document())
		}
	}
}

func FuzzParseEntry(f *testing.F) {
	for _, raw := range samples(f) {
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		agree(t, raw)
		e, err := ParseEntry(raw)
		if err != nil {
			var p *Problem
			if e != nil || !errors.As(err, &p) || p.Detail == "" || !strings.HasPrefix(p.Detail, p.Field) || strings.Contains(p.Detail, "\n") {
				t.Fatalf("a bad problem: %#v", err)
			}
			return
		}
		if e.ID.Month() == "" || e.Of >= e.ID || e.Replaces >= e.ID {
			t.Fatalf("accepted %s", raw)
		}
		out, err := e.Encode()
		if err != nil {
			t.Fatalf("accepted, but does not encode: %v\n%s", err, raw)
		}
		again, err := ParseEntry(out)
		if err != nil {
			t.Fatal(err)
		}
		a, b := *e, *again
		a.Raw, b.Raw = nil, nil
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("%s\nbecame\n%s", raw, out)
		}
	})
}
