package calc

import (
	"bytes"
	"slices"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"gatewright/schema/canon"
)

// A validator that is not ours holds the schemas against what is read and
// answered: it takes every input that gets an answer, and every answer.
func TestSchemasSayWhatIsReadAndAnswered(t *testing.T) {
	for name, example := range examples(t) {
		c, ok := Find(name)
		if !ok {
			t.Fatal(name)
		}
		in, out := compiled(t, c.Input), compiled(t, c.Output)
		v, err := canon.Parse(example)
		if err != nil {
			t.Fatal(err)
		}
		if err := in.Validate(decoded(t, example)); err != nil {
			t.Errorf("%s: the example: %v", name, err)
		}
		properties, _ := c.Input.Get("properties")
		refused := 0
		for _, field := range append(slices.Clone(properties.Keys), "colour") {
			for _, text := range nonsense {
				value, err := canon.Parse([]byte(text))
				if err != nil {
					t.Fatal(err)
				}
				asked := canon.Value{Kind: canon.Object, Keys: slices.Clone(v.Keys), Vals: slices.Clone(v.Vals)}
				asked.Set(field, value)
				json := canon.Append(nil, asked)
				answer, runs := c.Run(json)
				valid := in.Validate(decoded(t, json))
				switch {
				case valid != nil && runs == nil:
					t.Errorf("%s answers %s, which its schema does not allow: %v", name, json, valid)
				case runs == nil:
					if err := out.Validate(decoded(t, answer)); err != nil {
						t.Errorf("%s %s: the answer %s is not as its schema says: %v", name, json, answer, err)
					}
				case valid != nil:
					refused++
				}
			}
		}
		if refused == 0 {
			t.Errorf("%s: its schema refuses nothing", name)
		}
	}
}

func compiled(t *testing.T, schema canon.Value) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	if err := c.AddResource("mem:///schema", decoded(t, canon.Append(nil, schema))); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("mem:///schema")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func decoded(t *testing.T, json []byte) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(json))
	if err != nil {
		t.Fatal(err)
	}
	return v
}
