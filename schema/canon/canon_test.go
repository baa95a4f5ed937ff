package canon

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"
)

// The author's test data of RFC 8785; testdata/rfc8785.json names its source.
func TestAuthorVectors(t *testing.T) {
	b, err := os.ReadFile("testdata/rfc8785.json")
	if err != nil {
		t.Fatal(err)
	}
	var c struct{ Input, Expected map[string]string }
	if err := json.Unmarshal(b, &c); err != nil {
		t.Fatal(err)
	}
	if len(c.Input) != 6 || len(c.Expected) != 6 {
		t.Fatalf("%d inputs and %d outputs, want 6 of each", len(c.Input), len(c.Expected))
	}
	for name, in := range c.Input {
		got, err := Canonical([]byte(in))
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if string(got) != c.Expected[name] {
			t.Errorf("%s:\n got %s\nwant %s", name, got, c.Expected[name])
		}
		if !Is(got) || Is([]byte(in)) {
			t.Errorf("%s: Is must hold for the output and not for the input", name)
		}
	}
}

// RFC 8785 Appendix B gives these bit patterns and texts; they were written
// down from memory of it, and strconv (as digits) and the rules of ECMAScript
// agree with each.
func TestNumberSamples(t *testing.T) {
	for _, c := range []struct {
		bits uint64
		want string
	}{
		{0x0000000000000000, "0"},
		{0x8000000000000000, "0"},
		{0x0000000000000001, "5e-324"},
		{0x8000000000000001, "-5e-324"},
		{0x7fefffffffffffff, "1.7976931348623157e+308"},
		{0xffefffffffffffff, "-1.7976931348623157e+308"},
		{0x4340000000000000, "9007199254740992"},
		{0xc340000000000000, "-9007199254740992"},
		{0x4430000000000000, "295147905179352830000"},
		{0x44b52d02c7e14af5, "9.999999999999997e+22"},
		{0x44b52d02c7e14af6, "1e+23"},
		{0x44b52d02c7e14af7, "1.0000000000000001e+23"},
		{0x444b1ae4d6e2ef4e, "999999999999999700000"},
		{0x444b1ae4d6e2ef4f, "999999999999999900000"},
		{0x444b1ae4d6e2ef50, "1e+21"},
		{0x3eb0c6f7a0b5ed8c, "9.999999999999997e-7"},
		{0x3eb0c6f7a0b5ed8d, "0.000001"},
		{0x41b3de4355555553, "333333333.3333332"},
		{0x41b3de4355555554, "333333333.33333325"},
		{0x41b3de4355555555, "333333333.3333333"},
		{0x41b3de4355555556, "333333333.3333334"},
		{0x41b3de4355555557, "333333333.33333343"},
		{0xbecbf647612f3696, "-0.0000033333333333333333"},
		{0x43143ff3c1cb0959, "1424953923781206.2"},
	} {
		got, err := AppendNumber(nil, math.Float64frombits(c.bits))
		if err != nil || string(got) != c.want {
			t.Errorf("%016x = %s, %v; want %s", c.bits, got, err, c.want)
		}
		back, err := strconv.ParseFloat(string(got), 64)
		if err != nil || back != math.Float64frombits(c.bits) {
			t.Errorf("%s does not read back", got)
		}
	}
	for _, f := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if _, err := AppendNumber(nil, f); !errors.Is(err, ErrNumber) {
			t.Errorf("%v: %v, want ErrNumber", f, err)
		}
		if got := Append(nil, Num64(f)); string(got) != "null" {
			t.Errorf("Append(%v) = %s", f, got)
		}
	}
}

func TestRefuses(t *testing.T) {
	for in, want := range map[string]string{
		``:                      "ends where a value",
		` `:                     "ends where a value",
		`nul`:                   "no JSON value starts",
		`NaN`:                   "no JSON value starts",
		`Infinity`:              "no JSON value starts",
		"\ufeff{}":              "no JSON value starts",
		`{"a":1,"a":2}`:         "same key twice",
		`{"a":1,"\u0061":2}`:    "same key twice",
		`{"a":1,}`:              "key in quotes",
		`{a:1}`:                 "key in quotes",
		`{"a" 1}`:               "colon",
		`{"a":1`:                "comma or }",
		`[1,]`:                  "no JSON value starts",
		`[1`:                    "comma or ]",
		`1 2`:                   "follows the end",
		`01`:                    "start with a zero",
		`-`:                     "wants a digit here",
		`.5`:                    "no JSON value starts",
		`+1`:                    "no JSON value starts",
		`1.`:                    "digit after its point",
		`1e`:                    "digit in its exponent",
		`1e999`:                 "too large",
		`-1e999`:                "too large",
		`"a`:                    "does not end",
		"\"a\nb\"":              "bare control",
		"\"\xff\"":              "UTF-8",
		"\"\xed\xa0\x80\"":      "UTF-8", // a surrogate in UTF-8
		`"\ud800"`:              "surrogate",
		`"\udc00"`:              "surrogate",
		`"\ud800\u0041"`:        "surrogate",
		`"\ud800x"`:             "surrogate",
		`"\x41"`:                "unknown escape",
		`"\u12g4"`:              "hexadecimal",
		`"\u12`:                 "hexadecimal",
		`"\`:                    "does not end",
		strings.Repeat("[", 70): "64 deep",
		"[" + strings.Repeat("1,", MaxValues) + "1]": "too many values",
		strings.Repeat(" ", MaxBytes+1):              "8 MiB",
	} {
		v, err := Parse([]byte(in))
		var e *Error
		if !errors.As(err, &e) || !strings.Contains(e.Detail, want) || e.Offset > len(in) {
			t.Errorf("%.40q: %v, want %q", in, err, want)
		}
		if !reflect.DeepEqual(v, Value{}) {
			t.Errorf("%.40q: a value came with the error", in)
		}
	}
	big := `{"k0":0`
	for i := 1; i < 40; i++ {
		big += `,"k` + strconv.Itoa(i) + `":0`
	}
	if _, err := Parse([]byte(big + "}")); err != nil {
		t.Errorf("40 keys: %v", err)
	}
	if _, err := Parse([]byte(big + `,"k3":0}`)); err == nil || !strings.Contains(err.Error(), "twice") {
		t.Errorf("40 keys and one again: %v", err)
	}
}

func TestErrorNamesThePlace(t *testing.T) {
	for in, want := range map[string]string{
		`{"value":NaN}`:           "value",
		`{"a":{"b":[1,2,1e999]}}`: "a.b[2]",
		`[[1],[2,x]]`:             "[1][1]",
		`x`:                       "",
		`{"sp ace":x}`:            "",
		`{"a":1,"a":2}`:           "",
	} {
		_, err := Parse([]byte(in))
		var e *Error
		if !errors.As(err, &e) || e.Path != want {
			t.Errorf("%s: %v at %q, want %q", in, err, e.Path, want)
		}
	}
}

// The order is that of UTF-16 code units; encoding them is the oracle.
func TestSortKeys(t *testing.T) {
	keys := []string{"\ufb33", "\U0001F602", "\ue000", "\uffff", "a", "", "aa", "\U0010FFFF", "\ud7ff", "a\U0001F602", "a\ufb33", "\u20ac", "\r", "1"}
	want := slices.Clone(keys)
	slices.SortFunc(want, func(a, b string) int {
		return slices.Compare(utf16.Encode([]rune(a)), utf16.Encode([]rune(b)))
	})
	SortKeys(keys)
	if !slices.Equal(keys, want) {
		t.Errorf("got %q\nwant %q", keys, want)
	}
}

func TestAppendStringMendsUTF8(t *testing.T) {
	if got := string(AppendString(nil, "a\xffb\x00\"\\/\u2028")); got != "\"a\ufffdb\\u0000\\\"\\\\/\u2028\"" {
		t.Errorf("got %s", got)
	}
}

func TestSetAndGet(t *testing.T) {
	var v Value
	v.Set("b", Int(1))
	v.Set("a", ListOf(Truth(true), Text("x"), Value{}))
	v.Set("b", Num64(2.5))
	if got := string(Append(nil, v)); got != `{"a":[true,"x",null],"b":2.5}` {
		t.Errorf("got %s", got)
	}
	if b, ok := v.Get("b"); !ok || b.Num != 2.5 {
		t.Errorf("b = %v, %v", b, ok)
	}
	if _, ok := Text("x").Get("b"); ok {
		t.Error("text has a member")
	}
}

// FuzzParse compares with encoding/json, which is laxer: what Parse accepts
// encoding/json accepts with the same meaning, and the canonical form is a
// fixed point.
func FuzzParse(f *testing.F) {
	for _, s := range []string{
		`{}`, `[]`, `null`, `{"a":[1,-2.5e-7,1e21,"\ud83d\ude02\u0000"],"b":{"c":true,"":false}}`, `"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/"`,
		`{"at":1795600000000,"by":"p000000000","kind":"tick"}`, `[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001]`, `-0`, `1e-999`, `{"a":1,"a":1}`, "\"\xed\xa0\x80\"", `[[[[[[`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		v, err := Parse(in)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Offset < 0 || e.Offset > len(in) || e.Detail == "" {
				t.Fatalf("a bad error: %#v", err)
			}
			return
		}
		out := Append(nil, v)
		again, err := Canonical(out)
		if err != nil || !bytes.Equal(again, out) {
			t.Fatalf("%q is no fixed point: %q, %v", out, again, err)
		}
		var a, b any
		if err := json.Unmarshal(in, &a); err != nil {
			t.Fatalf("encoding/json refuses %q: %v", in, err)
		}
		if err := json.Unmarshal(out, &b); err != nil || !reflect.DeepEqual(a, b) {
			t.Fatalf("%q means something else than %q", out, in)
		}
	})
}
