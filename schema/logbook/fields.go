package logbook

import (
	"strconv"
	"strings"
	"unicode/utf8"

	"gatewright/schema/canon"
	"gatewright/schema/num"
)

// form is what kind of value a field has.
type form uint8

const (
	textForm     form = iota // str, rule
	wholeForm                // whole, low, high
	instantForm              // whole
	decimalForm              // micro, floor
	truthForm                // flag
	wordsForm                // list of 1 to most different words: words, rule
	decimalsForm             // list of 1 to most numbers: micros
	versionForm
)

// field is one member of an entry's JSON: how it is read into the struct and
// written from it. One table of them serves ParseEntry and Encode; of the
// accessors only that of its form is set.
type field struct {
	name string
	form form
	need bool // must be there
	must bool // is written also when it is zero or false
	id   bool // names an entry

	str    func(e *Entry) *string
	whole  func(e *Entry) *int64
	micro  func(e *Entry) *num.Micro
	flag   func(e *Entry) *bool // of a number: whether it is given
	words  func(e *Entry) *[]string
	micros func(e *Entry) *[]num.Micro

	rule      rule
	low, high int64
	floor     num.Micro
	most      int
}

// read takes the field from an object that was read.
func (f *field) read(e *Entry, v canon.Value) *Problem {
	val, ok := v.Get(f.name)
	if !ok {
		if f.need {
			return problem(f.name, "is missing")
		}
		return nil
	}
	return f.get(e, val)
}

func (f *field) get(e *Entry, v canon.Value) (p *Problem) {
	switch f.form {
	case textForm:
		var s string
		if s, p = textOf(v, f.name, f.rule); p == nil {
			*f.str(e) = s
		}
	case wholeForm, instantForm:
		var n int64
		if f.form == instantForm {
			n, p = instantOf(v, f.name, false)
		} else {
			n, p = wholeOf(v, f.name, f.low, f.high)
		}
		if p == nil {
			*f.whole(e) = n
			f.given(e)
		}
	case decimalForm:
		var m num.Micro
		if m, p = microOf(v, f.name, f.floor); p == nil {
			*f.micro(e) = m
			f.given(e)
		}
	case truthForm:
		var b bool
		if b, p = truthOf(v, f.name); p == nil {
			*f.flag(e) = b
		}
	case wordsForm:
		var list []string
		if list, p = wordsOf(v, f.name, 1, f.most, f.rule); p == nil {
			*f.words(e) = list
		}
	case decimalsForm:
		if p = listOf(v, f.name, 1, f.most); p != nil {
			return p
		}
		var out []num.Micro
		for i, item := range v.List {
			m, p := microOf(item, index(f.name, i), -num.MicroMax)
			if p != nil {
				return p
			}
			out = append(out, m)
		}
		*f.micros(e) = out
	case versionForm:
		_, p = wholeOf(v, f.name, 1, 1)
		if p == nil {
			e.V = 1
		}
	}
	return p
}

// given notes that a number is there, where zero does not say that it is not.
func (f *field) given(e *Entry) {
	if f.flag != nil {
		*f.flag(e) = true
	}
}

// put is the field's value, and whether it is written.
func (f *field) put(e *Entry) (v canon.Value, ok bool) {
	switch f.form {
	case textForm:
		s := *f.str(e)
		return canon.Text(s), s != ""
	case wholeForm, instantForm:
		n := *f.whole(e)
		if ok = n != 0 || f.must; f.flag != nil {
			ok = *f.flag(e)
		}
		return canon.Int(n), ok
	case decimalForm:
		return canon.Num64(f.micro(e).Float()), *f.flag(e)
	case truthForm:
		b := *f.flag(e)
		return canon.Truth(b), b || f.must
	case wordsForm:
		v.Kind = canon.List
		for _, s := range *f.words(e) {
			v.List = append(v.List, canon.Text(s))
		}
		return v, len(v.List) > 0
	case decimalsForm:
		v.Kind = canon.List
		for _, m := range *f.micros(e) {
			v.List = append(v.List, canon.Num64(m.Float()))
		}
		return v, len(v.List) > 0
	}
	return canon.Int(int64(e.V)), true
}

// needed makes a field one that must be there, also when it is zero.
func needed(f field) field {
	f.need = true
	return f
}

// must writes a whole number or a truth even when it is zero or false.
func must(f field) field {
	f.must = true
	return needed(f)
}

// rule judges text that is not empty.
type rule func(name, s string) *Problem

func text(name string, at func(*Entry) *string, r rule) field {
	return field{name: name, form: textForm, str: at, rule: r}
}

// entryID is the id of this or an earlier entry.
func entryID(name string, at func(*Entry) *string) field {
	return field{name: name, form: textForm, id: true, str: at, rule: checkEntryID}
}

func whole(name string, at func(*Entry) *int64, low, high int64) field {
	return field{name: name, form: wholeForm, whole: at, low: low, high: high}
}

// wholeIf is whole with a flag that says whether the field is given.
func wholeIf(name string, at func(*Entry) *int64, has func(*Entry) *bool, low, high int64) field {
	return field{name: name, form: wholeForm, whole: at, flag: has, low: low, high: high}
}

func instant(name string, at func(*Entry) *int64) field {
	return field{name: name, form: instantForm, whole: at, low: FirstInstant, high: LastInstant}
}

func decimal(name string, at func(*Entry) *num.Micro, has func(*Entry) *bool, low num.Micro) field {
	return field{name: name, form: decimalForm, micro: at, flag: has, floor: low}
}

func truth(name string, at func(*Entry) *bool) field {
	return field{name: name, form: truthForm, flag: at}
}

// words is a list of 1 to most different words.
func words(name string, at func(*Entry) *[]string, most int, r rule) field {
	return field{name: name, form: wordsForm, words: at, most: most, rule: r}
}

func decimals(name string, at func(*Entry) *[]num.Micro, most int) field {
	return field{name: name, form: decimalsForm, micros: at, most: most}
}

// ---- single values, shared with the plan

func wrongKind(name string, want, got canon.Kind) *Problem {
	return problem(name, "must be "+want.String()+", not "+got.String())
}

func index(name string, i int) string { return name + "[" + strconv.Itoa(i) + "]" }

func textOf(v canon.Value, name string, r rule) (string, *Problem) {
	if v.Kind != canon.String {
		return "", wrongKind(name, canon.String, v.Kind)
	}
	if v.Str == "" {
		return "", problem(name, "is empty")
	}
	return v.Str, r(name, v.Str)
}

func wholeOf(v canon.Value, name string, low, high int64) (int64, *Problem) {
	if v.Kind != canon.Number {
		return 0, wrongKind(name, canon.Number, v.Kind)
	}
	// Both bounds are below 2^53, so the comparisons are exact.
	switch {
	case v.Num < float64(low):
		return 0, problem(name, "must be at least "+strconv.FormatInt(low, 10))
	case v.Num > float64(high):
		return 0, problem(name, "must be at most "+strconv.FormatInt(high, 10))
	}
	n := int64(v.Num)
	if float64(n) != v.Num {
		return 0, problem(name, "must be a whole number")
	}
	return n, nil
}

// instantOf reads ms since the epoch. The plan also uses 0: from the start.
func instantOf(v canon.Value, name string, zero bool) (int64, *Problem) {
	if v.Kind != canon.Number {
		return 0, wrongKind(name, canon.Number, v.Kind)
	}
	switch {
	case zero && v.Num == 0:
		return 0, nil
	case v.Num < float64(FirstInstant):
		return 0, problem(name, "is before the year 2000")
	case v.Num > float64(LastInstant):
		return 0, problem(name, "is after the year 2099")
	}
	return wholeOf(v, name, FirstInstant, LastInstant)
}

func microOf(v canon.Value, name string, low num.Micro) (num.Micro, *Problem) {
	if v.Kind != canon.Number {
		return 0, wrongKind(name, canon.Number, v.Kind)
	}
	raw := v.Raw
	if raw == "" { // made in Go
		b, err := canon.AppendNumber(nil, v.Num)
		if err != nil {
			return 0, problem(name, "must be finite")
		}
		raw = string(b)
	}
	m, err := num.ParseMicro(raw)
	if err != nil {
		return 0, problem(name, err.Error())
	}
	if m < low {
		return 0, problem(name, "must be at least "+low.String())
	}
	return m, nil
}

func truthOf(v canon.Value, name string) (bool, *Problem) {
	if v.Kind != canon.Bool {
		return false, wrongKind(name, canon.Bool, v.Kind)
	}
	return v.Bool, nil
}

func listOf(v canon.Value, name string, least, most int) *Problem {
	switch {
	case v.Kind != canon.List:
		return wrongKind(name, canon.List, v.Kind)
	case len(v.List) < least:
		return problem(name, "is an empty list")
	case len(v.List) > most:
		return problem(name, "has more than "+strconv.Itoa(most)+" items")
	}
	return nil
}

func wordsOf(v canon.Value, name string, least, most int, r rule) ([]string, *Problem) {
	if p := listOf(v, name, least, most); p != nil {
		return nil, p
	}
	var out []string
	seen := make(map[string]bool, len(v.List))
	for i, item := range v.List {
		s, p := textOf(item, index(name, i), r)
		if p != nil {
			return nil, p
		}
		if seen[s] {
			return nil, problem(index(name, i), "repeats "+s)
		}
		seen[s] = true
		out = append(out, s)
	}
	return out, nil
}

// ---- rules for text

// upTo allows any text of at most n characters (code points).
func upTo(n int) rule {
	return func(name, s string) *Problem {
		if len(s) > n && utf8.RuneCountInString(s) > n {
			return problem(name, "is longer than "+strconv.Itoa(n)+" characters")
		}
		return nil
	}
}

// oneOf names the choices in its sentence, as long as they fit in one.
func oneOf(choices ...string) rule {
	return func(name, s string) *Problem {
		for _, c := range choices {
			if s == c {
				return nil
			}
		}
		return problem(name, "must be one of "+strings.Join(choices, ", "))
	}
}

// itemID is the id of something in the plan.
func itemID(name, s string) *Problem {
	if !ItemID(s) {
		return problem(name, "must be 1 to 16 of a-z, 0-9 and -, starting with a letter")
	}
	return nil
}

// wordID is an id from a list of ours: a chip, what was seen, a topic.
func wordID(name, s string) *Problem {
	if !isWord(s, 32) {
		return problem(name, "must be 1 to 32 of a-z, 0-9 and -, starting with a letter")
	}
	return nil
}

// tagID is an id made on a phone: of a visit, a survey, a point.
func tagID(name, s string) *Problem {
	ok := len(s) <= 36 && s[0] != '-'
	for i := range len(s) {
		c := s[i] | 0x20
		ok = ok && (c >= 'a' && c <= 'z' || s[i] >= '0' && s[i] <= '9' || s[i] == '-')
	}
	if !ok {
		return problem(name, "must be 1 to 36 letters, digits and -, not starting with -")
	}
	return nil
}

func personID(name, s string) *Problem {
	if !PersonID(s) {
		return problem(name, "must be a person's id (p and nine characters) or server")
	}
	return nil
}

func deviceID(name, s string) *Problem {
	if !DeviceID(s) {
		return problem(name, "must be a device's id (d and nine characters) or server")
	}
	return nil
}

// subject is that of a flag: its rule, a slash and what it is about.
func subject(name, s string) *Problem {
	r, target, ok := strings.Cut(s, "/")
	if !ok || !isWord(r, 32) || target == "" || tagID(name, target) != nil {
		return problem(name, "must be the subject of a flag, such as limit/supply")
	}
	return nil
}

func digest(name, s string) *Problem {
	ok := len(s) == 64
	for i := range len(s) {
		ok = ok && isHex(s[i])
	}
	if !ok {
		return problem(name, "must be a SHA-256 of 64 lower-case hexadecimal digits")
	}
	return nil
}

// day is a calendar day of the site's own zone.
func day(name, s string) *Problem {
	ok := len(s) == 10 && s[4] == '-' && s[7] == '-' && s[0] == '2' && s[1] == '0'
	for i := range len(s) {
		ok = ok && (s[i] >= '0' && s[i] <= '9' || s[i] == '-' && (i == 4 || i == 7))
	}
	if ok {
		month, _ := strconv.Atoi(s[5:7])
		date, _ := strconv.Atoi(s[8:])
		ok = month >= 1 && month <= 12 && date >= 1 && date <= 31
	}
	if !ok {
		return problem(name, "must be a day of the years 2000 to 2099, such as 2026-11-25")
	}
	return nil
}

// compactJWS is the compact serialisation of RFC 7515; the payload between the
// dots may be detached.
func compactJWS(name, s string) *Problem {
	ok := len(s) <= 7000
	dots := 0
	for i := range len(s) {
		c := s[i]
		switch {
		case c == '.':
			dots++
			ok = ok && i > 0 && i < len(s)-1
		case c == '-', c == '_', c >= '0' && c <= '9', c|0x20 >= 'a' && c|0x20 <= 'z':
		default:
			ok = false
		}
	}
	if !ok || dots != 2 {
		return problem(name, "must be a compact JWS of at most 7000 characters")
	}
	return nil
}

// Units lists the units that readings and limits may have.
var Units = []string{
	"bar", "kPa", "MPa", "Pa", "psi", "inHg", "atm", "C", "F", "K", "m", "mm", "cm", "ft", "in",
	"L", "ft3", "N", "lbf", "s", "ms", "%", "deg", "V", "mV", "mA", "Nm", "count",
}

func unit(name, s string) *Problem {
	for _, u := range Units {
		if s == u {
			return nil
		}
	}
	return problem(name, "is not a unit that is known here, such as bar, s or %")
}
