// Package problem is the one error that crosses the API: a kind that decides the HTTP status, one public
// sentence, the field it is about, and a private cause for the log.
package problem

import "errors"

// Kind says what went wrong, for whoever must act on it.
type Kind int

// The kinds, in the order of their HTTP statuses.
const (
	Internal        Kind = iota // 500: ours; the sentence says nothing of the cause
	Invalid                     // 400: the named field is wrong
	Unauthenticated             // 401: no token, or one that does not hold
	Forbidden                   // 403: known, but without the right
	NotFound                    // 404: not there, or not for this caller
	Conflict                    // 409: somebody was there first
	Gone                        // 410: spent or expired
	TooLarge                    // 413
	TooMany                     // 429
	Unavailable                 // 503: try again later
)

var statuses = map[Kind]int{
	Internal: 500, Invalid: 400, Unauthenticated: 401, Forbidden: 403, NotFound: 404,
	Conflict: 409, Gone: 410, TooLarge: 413, TooMany: 429, Unavailable: 503,
}

var codes = map[Kind]string{
	Internal: "internal", Invalid: "invalid", Unauthenticated: "unauthenticated", Forbidden: "forbidden",
	NotFound: "not-found", Conflict: "conflict", Gone: "gone", TooLarge: "too-large", TooMany: "too-many",
	Unavailable: "unavailable",
}

// Status is the HTTP status of the kind: the only place where the two meet.
func (k Kind) Status() int { return statuses[k] }

// String is the stable word of the kind in answers.
func (k Kind) String() string { return codes[k] }

// KindOf is the kind whose status is given, Internal for any other.
func KindOf(status int) Kind {
	for k, s := range statuses {
		if s == status {
			return k
		}
	}
	if status >= 400 && status < 500 {
		return Invalid
	}
	return Internal
}

// Error is a kind with its public sentence.
type Error struct {
	Kind     Kind
	Field    string // the field of the request it is about, or empty
	Sentence string // one sentence, fit for a screen
	Cause    error  // for the log only
}

// Error joins the sentence and the cause, for the log.
func (e *Error) Error() string {
	if e.Cause != nil {
		return e.Sentence + ": " + e.Cause.Error()
	}
	return e.Sentence
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Cause }

// New makes an error of a kind.
func New(kind Kind, field, sentence string) *Error {
	return &Error{Kind: kind, Field: field, Sentence: sentence}
}

// From finds the public error in err; anything else is Internal with err as its cause.
func From(err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	return &Error{Kind: Internal, Sentence: "Something failed on the server; nothing was stored.", Cause: err}
}
