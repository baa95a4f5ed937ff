package logbook

import (
	"gatewright/schema/canon"
)

// Problem says what is wrong with one field, in one sentence that a person
// can act on. It is the error type of everything this package reads.
type Problem struct {
	Field  string // "value", "chips[2]", "checks.lens.limits[0].low"; empty for the whole
	Detail string // one sentence that names the field

	relation bool
}

func (p *Problem) Error() string { return p.Detail }

// Relation reports that the field has an acceptable form by itself, and is
// wrong only beside another field, beside the rest of the plan or in its
// spelling (a JSON Schema cannot say such things, and the one in entryschema
// does not).
func (p *Problem) Relation() bool { return p.relation }

func problem(field, detail string) *Problem {
	return &Problem{Field: field, Detail: field + " " + detail}
}

func relation(field, detail string) *Problem {
	return &Problem{Field: field, Detail: field + " " + detail, relation: true}
}

// notJSON names the field in which the text stops being JSON ("value" for
// {"value":NaN}); whole is what to call the text where that is unknown.
func notJSON(whole, path string, err error) *Problem {
	// canon gives this type as it is; errors.As would link more than the rest of this file.
	if at, ok := err.(*canon.Error); ok && at.Path != "" {
		field := path + at.Path
		if path != "" && at.Path[0] != '[' {
			field = path + "." + at.Path
		}
		return problem(field, "is not JSON: "+at.Error())
	}
	if path != "" {
		return problem(path, "is not JSON: "+err.Error())
	}
	return &Problem{Detail: whole + " is not JSON: " + err.Error()}
}
