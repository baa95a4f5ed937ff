package logbook

import (
	"slices"
	"strings"
	"unicode/utf8"

	"gatewright/schema/num"
)

// Nearly all entries that are read are good ones, read again at every start.
// quick reads those that are as this package writes them in one pass, straight
// into the struct, and checks on the way that this is their canonical form. It
// gives up on whatever is unusual, wrong or not, and leaves it to the reader
// that goes through canon and names what is wrong: what quick accepts, that
// one accepts too, as the same entry.

// quick reads text into e, which must be empty. Strings of e are parts of
// text, ids apart. When it gives up, e may be filled in part.
func (e *Entry) quick(text string) bool {
	// No text within a string reads like this, its quotes are escaped.
	const kindKey = `,"kind":"`
	at := strings.Index(text, kindKey)
	if at < 0 || len(text) > MaxEntryBytes || text[0] != '{' {
		return false
	}
	kind := text[at+len(kindKey):]
	end := strings.IndexByte(kind, '"')
	if end < 0 {
		return false
	}
	spec := specOf(Kind(kind[:end]))
	if spec == nil {
		return false
	}
	r := quickReader{text: text, at: 1}
	next := 0
	for {
		key, ok := r.plain()
		if !ok || !r.take(':') {
			return false
		}
		// Both are in order: what is passed over is not there.
		for next < len(spec.all) && spec.all[next].name != key {
			if spec.all[next].need {
				return false
			}
			next++
		}
		if next == len(spec.all) || !spec.all[next].quick(e, &r) {
			return false
		}
		next++
		if !r.take(',') {
			break
		}
	}
	if !r.take('}') || r.at != len(text) || e.Kind != spec.kind {
		return false
	}
	for ; next < len(spec.all); next++ {
		if spec.all[next].need {
			return false
		}
	}
	e.Kind = spec.kind
	return e.relations(spec) == nil
}

// inOrder puts all that a kind holds in the order of the canonical form.
func (s *spec) inOrder() {
	for _, list := range [][]field{commonFields, s.fields} {
		for i := range list {
			s.all = append(s.all, &list[i])
		}
	}
	for i := range s.all {
		for j := i; j > 0 && s.all[j].name < s.all[j-1].name; j-- {
			s.all[j], s.all[j-1] = s.all[j-1], s.all[j]
		}
	}
}

func init() {
	for i := range kinds {
		kinds[i].inOrder()
	}
}

// quick reads the field's value and judges it.
func (f *field) quick(e *Entry, r *quickReader) bool {
	switch f.form {
	case textForm:
		s, ok := r.string()
		if !ok || f.rule(f.name, s) != nil {
			return false
		}
		if f.id { // kept long after the text that it stands in
			s = strings.Clone(s)
		}
		*f.str(e) = s
	case wholeForm, instantForm:
		n, ok := r.whole()
		if !ok || n < f.low || n > f.high {
			return false
		}
		*f.whole(e) = n
		f.given(e)
	case decimalForm:
		m, ok := r.micro()
		if !ok || m < f.floor {
			return false
		}
		*f.micro(e) = m
		f.given(e)
	case truthForm:
		b, ok := r.truth()
		if !ok {
			return false
		}
		*f.flag(e) = b
	case wordsForm:
		list, ok := r.words(f)
		if !ok {
			return false
		}
		*f.words(e) = list
	case decimalsForm:
		list, ok := r.micros(f.most)
		if !ok {
			return false
		}
		*f.micros(e) = list
	default:
		n, ok := r.whole()
		if !ok || n != 1 {
			return false
		}
		e.V = 1
	}
	return true
}

// quickReader walks text. Each of its methods takes one piece in the only form
// that it may have, or reports false.
type quickReader struct {
	text string
	at   int
}

func (r *quickReader) take(c byte) bool {
	if r.at < len(r.text) && r.text[r.at] == c {
		r.at++
		return true
	}
	return false
}

// plain takes text of ASCII without anything that is escaped.
func (r *quickReader) plain() (string, bool) {
	if !r.take('"') {
		return "", false
	}
	start := r.at
	for ; r.at < len(r.text); r.at++ {
		switch c := r.text[r.at]; {
		case c == '"':
			r.at++
			return r.text[start : r.at-1], true
		case c < ' ' || c == '\\' || c >= utf8.RuneSelf:
			return "", false
		}
	}
	return "", false
}

// string takes text that is not empty and holds nothing that is escaped.
func (r *quickReader) string() (string, bool) {
	if !r.take('"') {
		return "", false
	}
	start, high := r.at, false
	for ; r.at < len(r.text); r.at++ {
		switch c := r.text[r.at]; {
		case c == '"':
			s := r.text[start:r.at]
			r.at++
			return s, s != "" && (!high || utf8.ValidString(s))
		case c < ' ' || c == '\\':
			return "", false
		case c >= utf8.RuneSelf:
			high = true
		}
	}
	return "", false
}

func (r *quickReader) truth() (value, ok bool) {
	switch rest := r.text[r.at:]; {
	case strings.HasPrefix(rest, "true"):
		r.at += 4
		return true, true
	case strings.HasPrefix(rest, "false"):
		r.at += 5
		return false, true
	}
	return false, false
}

// whole takes an integer of up to 15 digits, all of which a float64 keeps.
func (r *quickReader) whole() (int64, bool) {
	minus := r.take('-')
	start := r.at
	n := r.digits()
	if digits := r.at - start; digits == 0 || digits > 15 || r.text[start] == '0' && (digits > 1 || minus) {
		return 0, false
	}
	if r.at < len(r.text) && (r.text[r.at] == '.' || r.text[r.at] == 'e' || r.text[r.at] == 'E') {
		return 0, false
	}
	if minus {
		n = -n
	}
	return n, true
}

// digits takes digits; the result is right for up to 18 of them.
func (r *quickReader) digits() (n int64) {
	for r.at < len(r.text) && r.text[r.at] >= '0' && r.text[r.at] <= '9' {
		n = n*10 + int64(r.text[r.at]-'0')
		r.at++
	}
	return n
}

// micro takes a number of up to nine digits, and six more behind the point, the
// last of them not zero. So many a float64 keeps, and the shortest text that
// reads back to it is this one: it is canonical as it stands.
func (r *quickReader) micro() (num.Micro, bool) {
	minus := r.take('-')
	start := r.at
	n := r.digits()
	if digits := r.at - start; digits == 0 || digits > 9 || r.text[start] == '0' && digits > 1 {
		return 0, false
	}
	n *= int64(num.One)
	if r.take('.') {
		start = r.at
		part := r.digits()
		digits := r.at - start
		if digits == 0 || digits > 6 || r.text[r.at-1] == '0' {
			return 0, false
		}
		for ; digits < 6; digits++ {
			part *= 10
		}
		n += part
	}
	if r.at < len(r.text) && (r.text[r.at] == 'e' || r.text[r.at] == 'E') {
		return 0, false
	}
	if minus {
		if n == 0 {
			return 0, false
		}
		n = -n
	}
	return num.Micro(n), true
}

func (r *quickReader) words(f *field) ([]string, bool) {
	if !r.take('[') {
		return nil, false
	}
	list := make([]string, 0, 4)
	for {
		s, ok := r.string()
		if !ok || len(list) == f.most || f.rule(f.name, s) != nil || slices.Contains(list, s) {
			return nil, false
		}
		list = append(list, s)
		if !r.take(',') {
			return list, r.take(']')
		}
	}
}

func (r *quickReader) micros(most int) ([]num.Micro, bool) {
	if !r.take('[') {
		return nil, false
	}
	var list []num.Micro
	for {
		m, ok := r.micro()
		if !ok || len(list) == most {
			return nil, false
		}
		list = append(list, m)
		if !r.take(',') {
			return list, r.take(']')
		}
	}
}
