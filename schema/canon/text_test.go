package canon

import (
	"encoding/json"
	"errors"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// The escapes of RFC 8259 section 7 as they may be read, and the one form in which RFC 8785 section 3.2.2.2 has them
// written: short forms for five control characters, \u00xx in lower case for the others, and nothing else escaped.
func TestEscapes(t *testing.T) {
	for in, want := range map[string]string{
		`"\" \\ \/"`:                       `"\" \\ /"`,
		`"\b\f\n\r\t"`:                     `"\b\f\n\r\t"`,
		`"\u0008\u000C\u000a\u000D\u0009"`: `"\b\f\n\r\t"`,
		`"\u0000\u001F\u007f"`:             "\"\\u0000\\u001f\u007f\"",
		`"\u00e9\u20AC\ud83d\udc04"`:       `"é€🐄"`,
		`"\u2028</script>"`:                "\"\u2028</script>\"",
	} {
		got, err := Canonical([]byte(in))
		if err != nil || string(got) != want {
			t.Errorf("%s: got %s, %v; want %s", in, got, err, want)
		}
		if Is([]byte(in)) != (in == want) || !Is(got) {
			t.Errorf("%s: whether it is canonical is said wrongly", in)
		}
	}
	for _, in := range []string{`"\a"`, `"\u12"`, `"\u12g4"`, `"\ud83d"`, `"\ud83d\n"`, `"\ud83d\u0041"`, `"\udc04"`, `"\`, `{"\ud83d":1}`, `{"a`} {
		_, err := Canonical([]byte(in))
		var at *Error
		if !errors.As(err, &at) || Is([]byte(in)) {
			t.Errorf("%s: %v", in, err)
		}
	}
}

// Whatever text there is, the standard library reads back what is written here, and so does Parse.
func TestTextSurvives(t *testing.T) {
	same := func(s string) bool {
		b := AppendString(nil, s)
		var back string
		if err := json.Unmarshal(b, &back); err != nil || back != s {
			return false
		}
		v, err := Parse(b)
		return err == nil && v.Kind == String && v.Str == s
	}
	for r := rune(0); r <= utf8.MaxRune; r++ {
		if utf8.ValidRune(r) && (r < 0x3000 || r%251 == 0) && !same("x"+string(r)+"y") {
			t.Fatalf("%U does not survive", r)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		if s := rapid.String().Draw(t, "text"); !same(s) {
			t.Fatalf("%q does not survive", s)
		}
	})
}

// What a value is called in sentences that people read.
func TestKindsHaveNames(t *testing.T) {
	for in, want := range map[string]string{
		`null`: "null", `true`: "true or false", `-0.5`: "a number", `"x"`: "text", `[]`: "a list", `{}`: "an object",
	} {
		v, err := Parse([]byte(in))
		if err != nil || v.Kind.String() != want {
			t.Errorf("%s is called %s, %v", in, v.Kind, err)
		}
	}
	if Kind(6).String() != "an unknown kind of value" {
		t.Error("a kind that there is not has a name")
	}
}

func TestGetOfNothing(t *testing.T) {
	v, err := Parse([]byte(`{"a":{"b":1}}`))
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []Value{v, ListOf(v), {}} {
		if got, ok := v.Get("b"); ok || got.Kind != Null {
			t.Errorf("%v has b", v)
		}
	}
	if CompareKeys("é", "é") != 0 || CompareKeys("", "") != 0 {
		t.Error("a key differs from itself")
	}
}
