package calc

import (
	"errors"
	"reflect"
	"slices"
	"strings"

	"gatewright/schema/canon"
	"gatewright/schema/input"
)

// Calculation is one entry of the list.
type Calculation struct {
	Name   string // "air.cylinder": subject and what it says
	About  string // one line
	Source string // where its formula comes from
	Input  canon.Value
	Output canon.Value

	run func(canon.Value) (canon.Value, error)
}

// add makes an entry of the list. The types say what goes in and comes out.
func add[I, O any](name, about, source string, f func(I) (O, error)) Calculation {
	return Calculation{
		Name: name, About: about, Source: source,
		Input:  titled(input.Schema(reflect.TypeFor[I]()), name, about),
		Output: titled(input.AnswerSchema(reflect.TypeFor[O]()), name, about),
		run: func(v canon.Value) (canon.Value, error) {
			var in I
			if err := input.Read(v, &in); err != nil {
				return canon.Value{}, err
			}
			out, err := f(in)
			if err != nil {
				return canon.Value{}, err
			}
			return input.Write(out)
		},
	}
}

func titled(schema canon.Value, name, about string) canon.Value {
	schema.Set("$schema", canon.Text("https://json-schema.org/draft/2020-12/schema"))
	schema.Set("title", canon.Text(name))
	schema.Set("description", canon.Text(about))
	return schema
}

// All lists the calculations, by name.
func All() []Calculation { return slices.Clone(all) }

// Find gives the calculation of a name.
func Find(name string) (Calculation, bool) {
	i, ok := slices.BinarySearchFunc(all, name, func(c Calculation, name string) int { return strings.Compare(c.Name, name) })
	if !ok {
		return Calculation{}, false
	}
	return all[i], true
}

// Run does one calculation: JSON in, canonical JSON out. Its errors are all
// *input.Problem and name the field they are about; "name" when there is no
// calculation of that name.
func Run(name string, json []byte) ([]byte, error) {
	c, ok := Find(name)
	if !ok {
		return nil, input.Bad("name", "is that of no calculation here")
	}
	return c.Run(json)
}

// Run does the calculation.
func (c Calculation) Run(json []byte) ([]byte, error) {
	v, err := canon.Parse(json)
	if err != nil {
		return nil, unread(err)
	}
	out, err := c.run(v)
	if err != nil {
		var problem *input.Problem
		if errors.As(err, &problem) {
			return nil, problem
		}
		return nil, input.Bad("", err.Error())
	}
	return canon.Append(nil, out), nil
}

// longestPath is what a sentence can name of a place in the input.
const longestPath = 100

func unread(err error) error {
	var at *canon.Error
	if errors.As(err, &at) && at.Path != "" && at.Path[0] != '[' && len(at.Path) <= longestPath {
		return input.Bad(at.Path, "cannot be read: "+err.Error())
	}
	return input.Bad("", "the JSON cannot be read: "+err.Error())
}

// ListJSON is the list for programs: {"calculations":[…]}, each as JSON gives it.
func ListJSON() []byte {
	list := canon.ListOf()
	for _, c := range all {
		list.List = append(list.List, c.value())
	}
	var v canon.Value
	v.Set("calculations", list)
	return canon.Append(nil, v)
}

// JSON describes the calculation for programs: name, about, source and the
// JSON Schemas of input and output, as canonical JSON.
func (c Calculation) JSON() []byte { return canon.Append(nil, c.value()) }

func (c Calculation) value() canon.Value {
	var v canon.Value
	v.Set("name", canon.Text(c.Name))
	v.Set("about", canon.Text(c.About))
	v.Set("source", canon.Text(c.Source))
	v.Set("input", c.Input)
	v.Set("output", c.Output)
	return v
}

// ProblemJSON is how console and phone tell a problem:
// {"error":{"field":…,"message":…}}, the message a whole sentence. Any other
// error is a problem without a field.
func ProblemJSON(err error) []byte {
	var problem *input.Problem
	field := ""
	if errors.As(err, &problem) {
		field = problem.Field
	}
	var inner, v canon.Value
	inner.Set("field", canon.Text(field))
	inner.Set("message", canon.Text(err.Error()))
	v.Set("error", inner)
	return canon.Append(nil, v)
}
