package input

import (
	"math"
	"reflect"
	"strconv"

	"gatewright/schema/canon"
)

// Write makes the JSON of a struct, or of what points to one: a nil pointer in
// it is left out, a nil list is an empty one. Its only error is a *Problem that
// names a number that is not finite, or a whole one too large for JSON.
func Write(from any) (canon.Value, error) {
	at := reflect.ValueOf(from)
	for at.Kind() == reflect.Pointer && !at.IsNil() {
		at = at.Elem()
	}
	if !at.IsValid() || at.Kind() != reflect.Struct {
		panic("input: Write wants a struct")
	}
	v, problem := formOf(at.Type()).write(at, "")
	if problem != nil {
		return canon.Value{}, problem
	}
	return v, nil
}

func (f *form) write(from reflect.Value, path string) (canon.Value, *Problem) {
	out := canon.Value{Kind: canon.Object}
	for i := range f.fields {
		at := &f.fields[i]
		value := from.Field(at.index)
		if at.shape.optional {
			if value.IsNil() {
				continue
			}
			value = value.Elem()
		}
		v, problem := at.shape.write(value, under(path, at.name))
		if problem != nil {
			return canon.Value{}, problem
		}
		out.Keys = append(out.Keys, at.name)
		out.Vals = append(out.Vals, v)
	}
	return out, nil
}

func (s *shape) write(from reflect.Value, path string) (canon.Value, *Problem) {
	switch s.kind {
	case reflect.Invalid:
		return from.Interface().(canon.Value), nil
	case reflect.Bool:
		return canon.Truth(from.Bool()), nil
	case reflect.String:
		return canon.Text(from.String()), nil
	case reflect.Slice:
		list := make([]canon.Value, from.Len())
		for i := range list {
			v, problem := s.of.write(from.Index(i), path+"["+strconv.Itoa(i)+"]")
			if problem != nil {
				return canon.Value{}, problem
			}
			list[i] = v
		}
		return canon.ListOf(list...), nil
	case reflect.Struct:
		return s.form.write(from, path)
	case reflect.Float64:
		n := from.Float()
		if math.IsNaN(n) || math.IsInf(n, 0) {
			return canon.Value{}, refused(path, "is not finite")
		}
		return canon.Num64(n), nil
	}
	n := from.Int()
	if n > maxWhole || n < -maxWhole {
		return canon.Value{}, refused(path, "is too large a whole number for JSON")
	}
	return canon.Int(n), nil
}
