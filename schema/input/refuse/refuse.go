// Package refuse says what is wrong with one field of a calculation's input. It
// stands apart from package input, which uses reflect: what the rules' module
// calculates with may not bring that in.
package refuse

// Problem says what is wrong with one field of an input. Its path is that of
// the JSON: "bore_mm", "x[3]", "beams[0].x_m"; empty when it is the whole.
type Problem struct {
	Field   string `json:"field"`
	Message string `json:"message"` // what follows the field's name in a sentence: "must be above 0"
}

// Error is the sentence.
func (p *Problem) Error() string {
	if p.Field == "" {
		return p.Message
	}
	return p.Field + " " + p.Message
}

// Bad is a Problem as an error: what a calculation returns when its fields are
// right one by one, but not together.
func Bad(field, message string) error { return &Problem{Field: field, Message: message} }
