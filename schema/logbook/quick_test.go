package logbook

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"gatewright/schema/canon"
	"gatewright/schema/num"
)

// agree holds what is read in one pass against the reader through canon, which is the specification.
func agree(t *testing.T, raw []byte) (quick bool) {
	t.Helper()
	want, wrong := parse(raw)
	var e Entry
	if quick = e.quick(string(raw)); quick {
		if wrong != nil {
			t.Fatalf("accepted in one pass what is refused with: %v\n%s", wrong, raw)
		}
		e.Raw = bytes.Clone(raw)
		if !reflect.DeepEqual(&e, want) {
			t.Fatalf("read in one pass as\n%+v\nis\n%+v\n%s", e, *want, raw)
		}
	}
	got, err := ParseEntry(raw)
	if !reflect.DeepEqual(got, want) || !reflect.DeepEqual(err, wrong) {
		t.Fatalf("ParseEntry gives\n%+v, %v\nwant\n%+v, %v\n%s", got, err, want, wrong, raw)
	}
	// Into an entry that was used for something else before.
	again := Entry{Text: "before", Hits: 3, HasU: true, Chips: []string{"x"}}
	err = ReadEntry(&again, string(raw))
	if want == nil {
		want = &Entry{}
	}
	again.Raw = want.Raw
	if !reflect.DeepEqual(&again, want) || !reflect.DeepEqual(err, wrong) {
		t.Fatalf("ReadEntry gives\n%+v, %v\nwant\n%+v, %v\n%s", again, err, want, wrong, raw)
	}
	return quick
}

// drawn is an entry of a kind with fields that are there or not, and values from all over what they may be.
func drawn(r *rand.Rand, s *spec) (Entry, []byte) {
	words := []string{"lens", "p", "a-1", "leaf-stiff", "x23456789012345-"}
	texts := []string{"x", "Bush renewed.", "Käse läuft über", "a \"quoted\" word", "two\nlines", "日本", "\u007f", "😀 ok", "tab\t", `"kind":"note"`, strings.Repeat("ä", 300)}
	micros := []num.Micro{0, 1, 10, 500_000, 650_000, 6_500_000, 123_456_789, 999_999_999_999_999, num.MicroMax, 100_000_000}
	e := Entry{V: 1, Kind: s.kind}
	for {
		for _, f := range s.all {
			if !f.need && r.IntN(3) == 0 && !mustHave(s, f.name) {
				continue
			}
			switch f.form {
			case textForm:
				*f.str(&e) = draw(r, f, words, texts)
			case wholeForm, instantForm:
				n := f.low + r.Int64N(f.high-f.low+1)
				if r.IntN(3) == 0 {
					n = []int64{f.low, f.high, max(f.low, min(f.high, 0)), max(f.low, min(f.high, 17))}[r.IntN(4)]
				}
				*f.whole(&e) = n
				f.given(&e)
			case decimalForm:
				m := micros[r.IntN(len(micros))]
				if f.floor < 0 && r.IntN(2) == 0 {
					m = -m
				}
				*f.micro(&e) = m
				f.given(&e)
			case truthForm:
				*f.flag(&e) = r.IntN(2) == 0
			case wordsForm:
				for range 1 + r.IntN(min(f.most, 4)) {
					*f.words(&e) = append(*f.words(&e), draw(r, f, words, texts))
				}
			case decimalsForm:
				for range 1 + r.IntN(f.most) {
					*f.micros(&e) = append(*f.micros(&e), micros[r.IntN(len(micros))])
				}
			}
		}
		if raw, err := e.Encode(); err == nil {
			return e, raw
		}
		e = Entry{V: 1, Kind: s.kind}
	}
}

func mustHave(s *spec, name string) bool {
	for _, n := range s.needs {
		if n == name {
			return true
		}
	}
	return false
}

// draw finds text that the field's rule lets pass.
func draw(r *rand.Rand, f *field, words, texts []string) string {
	id := func() string {
		return string(NewEntryID(FirstInstant+r.Int64N(LastInstant-FirstInstant), [10]byte{byte(r.UintN(256)), 1, 2}))
	}
	all := append(append([]string{id(), id(), "p0a1b2c3d4", "d9z8y7x6w5", "server", string(kinds[r.IntN(len(kinds))].kind), "limit/supply", "2026-11-25",
		"automatic", "image/png", "frost", "isolate", "lock", "vent", "shown", "opened", "bar", "%", "relayed", "above", "gauge", "a.b.c", "a..c",
		strings.Repeat("0f", 32)}, words...), texts...)
	for {
		if s := all[r.IntN(len(all))]; f.rule(f.name, s) == nil && (f.name != "kind" || specOf(Kind(s)) != nil) {
			return s
		}
	}
}

// All kinds, with every value that was drawn, and then each with every byte left out, doubled, or changed to one
// that means something.
func TestQuickAgrees(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	read, all := 0, 0
	for i := range kinds {
		s := &kinds[i]
		for range 60 {
			e, raw := drawn(r, s)
			if e.Kind != s.kind {
				s = specOf(e.Kind)
			}
			all++
			if agree(t, raw) {
				read++
			} else if !bytes.ContainsRune(raw, '\\') && !bytes.Contains(raw, []byte("1000000000")) && !bytes.Contains(raw, []byte("999999999.999999")) {
				t.Errorf("not read in one pass: %s", raw)
			}
			if all%6 != 0 {
				continue
			}
			for at := range raw {
				agree(t, append(bytes.Clone(raw[:at]), raw[at+1:]...))
				agree(t, append(bytes.Clone(raw[:at+1]), raw[at:]...))
				bad := bytes.Clone(raw)
				bad[at] = "\"\\,:{}[]0159-.eEaz~ \x00\x1f\x7f\x80\xc3\xff"[r.IntN(25)]
				agree(t, bad)
			}
		}
	}
	if read*2 < all {
		t.Errorf("only %d of %d were read in one pass", read, all)
	}
}

// Forms that are JSON, and even the right value, but not canonical, or canonical and seldom.
func TestQuickAgreesOnForms(t *testing.T) {
	with := func(fields string) []byte { return []byte("{" + fields + "}") }
	const front = `"at":1794900240000,"by":"p0a1b2c3d4","check":"p","dev":"d9z8y7x6w5","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"reading",`
	for _, n := range []string{"0", "-0", "0.0", "00", "1.0", "1.50", "-1.5", "1e0", "1E2", "1e-6", "0.000001", "0.0000001", "1000000000", "999999999.999999",
		"1000000000.1", "123456789012", "1e21", "0.1e1", "-", ".5", "5.", "+1", "01", "1.e1", "1e", "true", `"1"`, "null", "[1]"} {
		agree(t, with(front+`"unit":"bar","v":1,"value":`+n))
		agree(t, with(front+`"repeats":[`+n+`],"unit":"bar","v":1,"value":6`))
		agree(t, with(front+`"unit":"bar","v":`+n+`,"value":6`))
		agree(t, with(strings.Replace(front, "1794900240000", n, 1)+`"unit":"bar","v":1,"value":6`))
		agree(t, with(strings.Replace(front, `"kind"`, `"off":`+n+`,"kind"`, 1)+`"unit":"bar","v":1,"value":6`))
	}
	note := func(text string) []byte {
		return with(strings.Replace(front, `"reading"`, `"note"`, 1) + `"text":` + text + `,"v":1`)
	}
	for _, text := range []string{`""`, `"a"`, `"\u0061"`, `"\/"`, `"\n"`, `"\u000a"`, `"\b\f\t\r"`, "\"\xff\"", "\"\xed\xa0\x80\"", `"\ud83d\ude00"`, `"😀"`, "\"\u2028\"",
		`"` + strings.Repeat("é", MaxText) + `"`, `"` + strings.Repeat("é", MaxText+1) + `"`, `["a"]`, `7`, `"\"kind\":\"tick\""`} {
		agree(t, note(text))
		agree(t, with(strings.Replace(front, `"reading"`, `"note"`, 1)+`"chips":[`+text+`],"v":1`))
	}
	good := front + `"unit":"bar","v":1,"value":6`
	for _, raw := range []string{good + " ", good + `,"zz":{"a":[1]}`, strings.Replace(good, `"kind"`, `"iz":{"x":1,"kind":"tick"},"kind"`, 1),
		strings.Replace(good, `"kind":"reading"`, `"kind":"tick"`, 1), strings.Replace(good, `"check"`, `"bad":true,"check"`, 1), good + ",", "", strings.Replace(good, ":", ": ", 1)} {
		agree(t, with(raw))
		agree(t, []byte(raw))
		agree(t, append(with(raw), '\n'))
	}
	for _, raw := range samples(t) {
		agree(t, raw)
		if v, err := canon.Parse(raw); err == nil && len(v.Keys) > 1 {
			for i := range v.Keys[1:] { // two members the wrong way round
				v := v
				v.Keys, v.Vals = append([]string(nil), v.Keys...), append([]canon.Value(nil), v.Vals...)
				v.Keys[i], v.Keys[i+1], v.Vals[i], v.Vals[i+1] = v.Keys[i+1], v.Keys[i], v.Vals[i+1], v.Vals[i]
				var b []byte
				for j := range v.Keys {
					b = append(canon.AppendString(append(b, ','), v.Keys[j]), ':')
					b = canon.Append(b, v.Vals[j])
				}
				agree(t, with(string(b[1:])))
			}
		}
	}
}

// Ids are kept for as long as the log is: they may not hold on to the text of all their neighbours.
func TestIDsStandAlone(t *testing.T) {
	raw := samples(t)[0]
	e, err := ParseEntry(raw)
	if err != nil {
		t.Fatal(err)
	}
	before := string(raw)
	for i := range raw {
		raw[i] = 'x'
	}
	if string(e.Raw) != before {
		t.Error("Raw follows a change of what was given")
	}
	var x Entry
	if n := testing.AllocsPerRun(100, func() { _ = ReadEntry(&x, before) }); n > 1 {
		t.Errorf("reading an entry takes %v pieces of memory, want one, of its id", n)
	}
}

func BenchmarkParseEntry(b *testing.B) {
	raw := []byte(`{"at":1794900240000,"by":"p0a1b2c3d4","check":"e05","dev":"d9z8y7x6w5","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"tick","v":1}`)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ParseEntry(raw); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkReadEntry(b *testing.B) {
	raw := `{"at":1794900240000,"by":"p0a1b2c3d4","check":"e05","dev":"d9z8y7x6w5","id":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","kind":"tick","v":1}`
	b.ReportAllocs()
	var e Entry
	for b.Loop() {
		if err := ReadEntry(&e, raw); err != nil {
			b.Fatal(err)
		}
	}
}
