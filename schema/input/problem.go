package input

import "gatewright/schema/input/refuse"

// Problem says what is wrong with one field of an input.
type Problem = refuse.Problem

// Bad is a Problem as an error: what a calculation returns when its fields are
// right one by one, but not together.
func Bad(field, message string) error { return refuse.Bad(field, message) }

func refused(field, message string) *Problem { return &Problem{Field: field, Message: message} }
