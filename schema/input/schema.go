package input

import (
	"reflect"

	"gatewright/schema/canon"
)

// Schema describes what Read takes for a struct type, as JSON Schema 2020-12.
// Three keywords beyond its own are annotations: "unit" of a number (of each
// number of a list), "order" the fields in the order that a form should show
// them (canonical JSON sorts the properties), "sameLengthAs" the list that a
// list must be as long as.
func Schema(t reflect.Type) canon.Value { return formOf(t).schema(true) }

// AnswerSchema describes what Write makes of a struct type, in the same words.
func AnswerSchema(t reflect.Type) canon.Value { return formOf(t).schema(false) }

func (f *form) schema(asked bool) canon.Value {
	properties, required, order := canon.Value{Kind: canon.Object}, canon.ListOf(), canon.ListOf()
	for i := range f.fields {
		at := &f.fields[i]
		s := at.shape.schema(asked)
		s.Set("description", canon.Text(at.doc))
		if at.unit != "" {
			s.Set("unit", canon.Text(at.unit))
		}
		if at.standard != nil && asked {
			s.Set("default", *at.standard)
		}
		if at.same >= 0 {
			s.Set("sameLengthAs", canon.Text(f.fields[at.same].name))
		}
		properties.Set(at.name, s)
		order.List = append(order.List, canon.Text(at.name))
		if missing := at.optional && asked || at.shape.optional; !missing {
			required.List = append(required.List, canon.Text(at.name))
		}
	}
	var s canon.Value
	s.Set("type", canon.Text("object"))
	s.Set("properties", properties)
	s.Set("order", order)
	s.Set("required", required)
	s.Set("additionalProperties", canon.Truth(false))
	return s
}

func (s *shape) schema(asked bool) canon.Value {
	out := canon.Value{Kind: canon.Object}
	switch s.kind {
	case reflect.Invalid: // anything
	case reflect.Bool:
		out.Set("type", canon.Text("boolean"))
	case reflect.String:
		out.Set("type", canon.Text("string"))
		if s.words != nil {
			words := canon.ListOf()
			for _, word := range s.words {
				words.List = append(words.List, canon.Text(word))
			}
			out.Set("enum", words)
		} else if asked {
			out.Set("maxLength", canon.Int(int64(s.most)))
		}
	case reflect.Slice:
		out.Set("type", canon.Text("array"))
		out.Set("items", s.of.schema(asked))
		if asked {
			out.Set("minItems", canon.Int(int64(s.fewest)))
			out.Set("maxItems", canon.Int(int64(s.most)))
		}
	case reflect.Struct:
		return s.form.schema(asked)
	case reflect.Float64:
		out.Set("type", canon.Text("number"))
	default:
		out.Set("type", canon.Text("integer"))
	}
	s.low.schema(&out, "minimum", "exclusiveMinimum")
	s.high.schema(&out, "maximum", "exclusiveMaximum")
	return out
}

func (b bound) schema(out *canon.Value, closed, open string) {
	switch {
	case b.is && b.open:
		out.Set(open, canon.Num64(b.at))
	case b.is:
		out.Set(closed, canon.Num64(b.at))
	}
}
