package wire

// Code says in one stable word what is wrong with a frame or payload.
type Code string

const (
	CodeSize      Code = "size"      // longer than allowed, or a count that the bytes cannot hold
	CodeMalformed Code = "malformed" // not the encoding it claims to be
	CodeDuplicate Code = "duplicate" // the same map key twice
	CodeMissing   Code = "missing"   // a field that must be there is absent, null or undefined
	CodeType      Code = "type"      // a field has another type than it must have
	CodeValue     Code = "value"     // the type is right, the value is not allowed
	CodeVersion   Code = "version"   // a version of the protocol that is not spoken here
)

// Error is the only error type of this package.
type Error struct {
	Code   Code
	Field  string // the field as it is called on the wire, or "frame", "payload"
	Detail string // one clause for the log; never holds bytes of the input
}

func (e *Error) Error() string {
	return "wire: " + e.Field + ": " + e.Detail + " (" + string(e.Code) + ")"
}

func fail(code Code, field, detail string) error {
	return &Error{Code: code, Field: field, Detail: detail}
}
