package input

import (
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"

	"gatewright/schema/canon"
)

// What a list or a text holds at most, when its tag says nothing.
const (
	mostItems = 100_000
	mostText  = 10_000
)

// maxWhole is the largest integer that JSON's numbers keep exactly.
const maxWhole = 1<<53 - 1

var anything = reflect.TypeFor[canon.Value]()

// form is a struct type with its tags understood.
type form struct {
	fields []field
}

type field struct {
	index    int
	name     string
	doc      string
	unit     string
	same     int // index in form.fields of the list it is as long as, or -1
	optional bool
	standard *canon.Value // what a missing field is taken to be
	shape    shape
}

// shape is what one value may be.
type shape struct {
	typ      reflect.Type // without pointer
	kind     reflect.Kind // Invalid for anything
	low      bound
	high     bound
	words    []string
	fewest   int
	most     int
	of       *shape // items of a list
	form     *form  // members of a struct
	optional bool   // the Go type is a pointer
}

// bound is one end of what a number may be.
type bound struct {
	is   bool
	at   float64
	open bool // at itself is outside
	text string
}

var forms sync.Map // reflect.Type to *form

func formOf(t reflect.Type) *form {
	if f, ok := forms.Load(t); ok {
		return f.(*form)
	}
	f := newForm(t, nil)
	forms.Store(t, f)
	return f
}

// wrong is a mistake in the tags of a field.
func wrong(t reflect.Type, name, what string) {
	panic("input: " + t.String() + "." + name + " " + what)
}

func newForm(t reflect.Type, above []reflect.Type) *form {
	if t.Kind() != reflect.Struct {
		panic("input: " + t.String() + " is no struct")
	}
	if slices.Contains(above, t) {
		panic("input: " + t.String() + " holds itself")
	}
	above = append(above, t)
	f := new(form)
	for i := range t.NumField() {
		f.fields = append(f.fields, newField(t, i, above))
	}
	for i, a := range f.fields {
		for _, b := range f.fields[:i] {
			if a.name == b.name {
				wrong(t, t.Field(a.index).Name, "has a name that another has")
			}
		}
		tag, ok := t.Field(a.index).Tag.Lookup("same")
		if !ok {
			continue
		}
		f.fields[i].same = slices.IndexFunc(f.fields, func(b field) bool { return b.name == tag })
		if j := f.fields[i].same; j < 0 || j == i || a.shape.kind != reflect.Slice || f.fields[j].shape.kind != reflect.Slice {
			wrong(t, t.Field(a.index).Name, "cannot be as long as "+tag)
		}
	}
	return f
}

var tagNames = []string{"json", "doc", "unit", "min", "max", "above", "below", "one", "len", "most", "same", "default"}

func newField(t reflect.Type, i int, above []reflect.Type) field {
	sf := t.Field(i)
	tag := sf.Tag
	bad := func(what string) { wrong(t, sf.Name, what) }
	if !sf.IsExported() {
		bad("is not exported")
	}
	for _, key := range tagKeys(string(tag)) {
		if !slices.Contains(tagNames, key) {
			bad("has an unknown tag " + key)
		}
	}
	f := field{index: i, name: tag.Get("json"), doc: tag.Get("doc"), unit: tag.Get("unit"), same: -1}
	if f.name == "" || strings.ContainsAny(f.name, ",.[] ") {
		bad("has no plain name in its json tag")
	}
	if f.doc == "" {
		bad("has no doc tag")
	}
	f.shape = newShape(sf.Type, above, bad)
	f.optional = f.shape.optional
	inner := &f.shape // whose numbers and texts the tags speak of
	for inner.of != nil {
		inner = inner.of
	}
	inner.low = boundOf(tag, "min", "above", bad)
	inner.high = boundOf(tag, "max", "below", bad)
	if (inner.low.is || inner.high.is) && !inner.number() {
		bad("has bounds but no number")
	}
	if f.unit != "" && !inner.number() {
		bad("has a unit but no number")
	}
	if words, ok := tag.Lookup("one"); ok {
		inner.words = strings.Fields(words)
		if inner.kind != reflect.String || len(inner.words) == 0 {
			bad("has words to choose from but no text")
		}
	}
	f.shape.fewest = countOf(tag, "len", 1, bad)
	switch f.shape.kind {
	case reflect.Slice:
		f.shape.most = countOf(tag, "most", mostItems, bad)
	case reflect.String:
		f.shape.most = countOf(tag, "most", mostText, bad)
	default:
		if _, ok := tag.Lookup("most"); ok {
			bad("has a size but is neither list nor text")
		}
	}
	if _, ok := tag.Lookup("len"); ok && (f.shape.kind != reflect.Slice || f.shape.fewest > f.shape.most) {
		bad("has a length that no list of it can have")
	}
	if text, ok := tag.Lookup("default"); ok {
		v := standardOf(f.shape.kind, text, bad)
		probe := reflect.New(f.shape.typ).Elem()
		if problem := f.shape.read(v, probe, f.name); problem != nil {
			bad("has a default that is refused: " + problem.Error())
		}
		f.standard, f.optional = &v, true
	}
	return f
}

func newShape(t reflect.Type, above []reflect.Type, bad func(string)) shape {
	s := shape{typ: t}
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
		s = shape{typ: t, optional: true}
	}
	if t == anything {
		return s
	}
	s.kind = t.Kind()
	switch s.kind {
	case reflect.Float64, reflect.Int, reflect.Int64, reflect.Bool:
	case reflect.String:
		s.most = mostText
	case reflect.Struct:
		s.form = newForm(t, above)
	case reflect.Slice:
		of := newShape(t.Elem(), above, bad)
		if of.optional {
			bad("is a list of pointers")
		}
		s.of, s.fewest, s.most = &of, 1, mostItems
	default:
		bad("is of a type that has no JSON here: " + t.String())
	}
	return s
}

func (s *shape) number() bool {
	return s.kind == reflect.Float64 || s.kind == reflect.Int || s.kind == reflect.Int64
}

func boundOf(tag reflect.StructTag, closed, open string, bad func(string)) bound {
	text, ok := tag.Lookup(closed)
	b := bound{is: ok, text: text}
	if other, also := tag.Lookup(open); also {
		if ok {
			bad("has both " + closed + " and " + open)
		}
		b = bound{is: true, open: true, text: other}
	}
	if !b.is {
		return b
	}
	at, err := strconv.ParseFloat(b.text, 64)
	if err != nil || math.IsInf(at, 0) || math.IsNaN(at) {
		bad("has a bound that is no number: " + b.text)
	}
	b.at = at
	return b
}

func countOf(tag reflect.StructTag, key string, standard int, bad func(string)) int {
	text, ok := tag.Lookup(key)
	if !ok {
		return standard
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		bad("has a " + key + " that is no count: " + text)
	}
	return n
}

func standardOf(kind reflect.Kind, text string, bad func(string)) canon.Value {
	switch kind {
	case reflect.String:
		return canon.Text(text)
	case reflect.Float64, reflect.Int, reflect.Int64, reflect.Bool:
		v, err := canon.Parse([]byte(text))
		if err == nil {
			return v
		}
	}
	bad("has a default that it cannot be: " + text)
	return canon.Value{}
}

// tagKeys gives the keys of a struct tag; go vet sees to its form.
func tagKeys(tag string) []string {
	var keys []string
	for {
		tag = strings.TrimLeft(tag, " ")
		key, rest, ok := strings.Cut(tag, ":\"")
		if !ok {
			return keys
		}
		keys = append(keys, key)
		end := 0
		for end < len(rest) && rest[end] != '"' {
			if rest[end] == '\\' {
				end++
			}
			end++
		}
		tag = rest[min(end+1, len(rest)):]
	}
}
