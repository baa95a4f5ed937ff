// Package entryschema holds the JSON Schemas (draft 2020-12) of log entries
// and of the plan's projection, for people and programs outside: it says in a
// form that others can check what logbook.ParseEntry and logbook.ParsePlan
// take. The schemas are written by hand and apart from the Go code; a test
// proves over a mutated corpus that the two agree on everything except what
// Problem.Relation marks: what a schema cannot say.
package entryschema

import _ "embed"

//go:embed entry.schema.json
var entry []byte

//go:embed plan.schema.json
var plan []byte

// Entry is the schema of one log entry. Its $id is urn:gatewright:entry:1.
func Entry() []byte { return append([]byte(nil), entry...) }

// Plan is the schema of the plan's projection. Its $id is urn:gatewright:plan:1.
func Plan() []byte { return append([]byte(nil), plan...) }
