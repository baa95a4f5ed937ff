package input

import (
	"math"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"

	"gatewright/schema/canon"
)

// Read fills the struct that into points to from a JSON object. Its errors are
// all *Problem; after one, into holds nothing that means anything. The first
// problem in the order of the fields is told, and before those an unknown name.
func Read(v canon.Value, into any) error {
	at := reflect.ValueOf(into)
	if at.Kind() != reflect.Pointer || at.IsNil() {
		panic("input: Read wants a pointer to a struct")
	}
	if problem := formOf(at.Type().Elem()).read(v, at.Elem(), ""); problem != nil {
		return problem
	}
	return nil
}

func (f *form) read(v canon.Value, into reflect.Value, path string) *Problem {
	if v.Kind != canon.Object {
		if path == "" {
			return &Problem{Message: "the input must be an object, not " + v.Kind.String()}
		}
		return refused(path, "must be an object, not "+v.Kind.String())
	}
	for _, key := range v.Keys {
		if !f.has(key) {
			return refused(under(path, shortened(key)), "is not known here"+f.known())
		}
	}
	lengths := make([]int, len(f.fields))
	for i := range f.fields {
		lengths[i] = -1
		at := &f.fields[i]
		given, ok := v.Get(at.name)
		if !ok {
			switch {
			case at.standard != nil:
				given = *at.standard
			case at.optional:
				continue
			default:
				return refused(under(path, at.name), "is missing")
			}
		}
		to := into.Field(at.index)
		if at.shape.optional {
			to.Set(reflect.New(at.shape.typ))
			to = to.Elem()
		}
		if problem := at.shape.read(given, to, under(path, at.name)); problem != nil {
			return problem
		}
		if at.shape.kind == reflect.Slice {
			lengths[i] = len(given.List)
		}
	}
	for i, at := range f.fields {
		if at.same >= 0 && lengths[i] >= 0 && lengths[at.same] >= 0 && lengths[i] != lengths[at.same] {
			return refused(under(path, at.name), "must have as many items as "+f.fields[at.same].name+" ("+
				strconv.Itoa(lengths[at.same])+"), not "+strconv.Itoa(lengths[i]))
		}
	}
	return nil
}

func (f *form) has(name string) bool {
	for i := range f.fields {
		if f.fields[i].name == name {
			return true
		}
	}
	return false
}

// known lists the fields, when that makes no long sentence.
func (f *form) known() string {
	const most = 120
	names := make([]string, len(f.fields))
	for i := range f.fields {
		names[i] = f.fields[i].name
	}
	if list := strings.Join(names, ", "); len(list) <= most {
		return "; known: " + list
	}
	return ""
}

func (s *shape) read(v canon.Value, into reflect.Value, path string) *Problem {
	switch s.kind {
	case reflect.Invalid:
		into.Set(reflect.ValueOf(v))
	case reflect.Bool:
		if v.Kind != canon.Bool {
			return mistaken(path, canon.Bool, v)
		}
		into.SetBool(v.Bool)
	case reflect.String:
		if v.Kind != canon.String {
			return mistaken(path, canon.String, v)
		}
		return s.readText(v.Str, into, path)
	case reflect.Slice:
		if v.Kind != canon.List {
			return mistaken(path, canon.List, v)
		}
		return s.readList(v.List, into, path)
	case reflect.Struct:
		return s.form.read(v, into, path)
	default:
		if v.Kind != canon.Number {
			return mistaken(path, canon.Number, v)
		}
		return s.readNumber(v.Num, into, path)
	}
	return nil
}

func mistaken(path string, want canon.Kind, v canon.Value) *Problem {
	return refused(path, "must be "+want.String()+", not "+v.Kind.String())
}

func (s *shape) readNumber(n float64, into reflect.Value, path string) *Problem {
	if math.IsNaN(n) || math.IsInf(n, 0) { // only from a Value made in Go
		return refused(path, "must be finite")
	}
	whole := s.kind != reflect.Float64
	if whole && n != math.Trunc(n) {
		return refused(path, "must be a whole number")
	}
	if s.low.is && (n < s.low.at || s.low.open && n == s.low.at) || s.high.is && (n > s.high.at || s.high.open && n == s.high.at) {
		return refused(path, s.bounds())
	}
	if !whole {
		into.SetFloat(n)
		return nil
	}
	if math.Abs(n) > maxWhole || into.OverflowInt(int64(n)) {
		return refused(path, "must be a whole number within plus or minus 9007199254740991")
	}
	into.SetInt(int64(n))
	return nil
}

// bounds says what a number must be.
func (s *shape) bounds() string {
	var parts []string
	if s.low.is {
		word := "at least "
		if s.low.open {
			word = "above "
		}
		parts = append(parts, word+s.low.text)
	}
	if s.high.is {
		word := "at most "
		if s.high.open {
			word = "below "
		}
		parts = append(parts, word+s.high.text)
	}
	return "must be " + strings.Join(parts, " and ")
}

func (s *shape) readText(text string, into reflect.Value, path string) *Problem {
	if s.words != nil {
		for _, word := range s.words {
			if word == text {
				into.SetString(text)
				return nil
			}
		}
		return refused(path, "must be one of "+strings.Join(s.words, ", "))
	}
	if utf8.RuneCountInString(text) > s.most {
		return refused(path, "must have at most "+strconv.Itoa(s.most)+" characters")
	}
	into.SetString(text)
	return nil
}

func (s *shape) readList(items []canon.Value, into reflect.Value, path string) *Problem {
	switch n := len(items); {
	case n < s.fewest:
		return refused(path, "must have at least "+counted(s.fewest)+", not "+strconv.Itoa(n))
	case n > s.most:
		return refused(path, "must have at most "+counted(s.most)+", not "+strconv.Itoa(n))
	}
	list := reflect.MakeSlice(s.typ, len(items), len(items))
	for i, item := range items {
		if problem := s.of.read(item, list.Index(i), path+"["+strconv.Itoa(i)+"]"); problem != nil {
			return problem
		}
	}
	into.Set(list)
	return nil
}

func counted(n int) string {
	if n == 1 {
		return "1 item"
	}
	return strconv.Itoa(n) + " items"
}

func under(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// shortened keeps a name from the input fit for a sentence.
func shortened(name string) string {
	const most = 60
	if name == "" {
		return `""`
	}
	if utf8.RuneCountInString(name) <= most {
		return name
	}
	return string([]rune(name)[:most]) + "…"
}
