// Package change reads and writes one Automerge change: the unit in which
// documents travel, are hashed, signed and stored.
//
// Decode is strict. It accepts chunks of type 1 (plain) and type 2 (the same,
// deflated) and only in the one form that Automerge's own encoder writes: the
// checksum must match, numbers must be in their shortest form, columns must be
// known, in order, undeflated and of equal length, runs must be maximal, ids
// must point backwards, values must be typed and text must be UTF-8. What
// Decode accepts, Encode reproduces byte for byte. A chunk that Decode accepts
// can therefore be relayed, stored and handed to the native library; nothing
// else may be, because that library accepts changes that stop other clients
// and aborts the process on some bytes.
//
// Work and memory are bounded by Limits, also for deflated chunks and for
// run-length columns that claim many operations in few bytes. Decode never
// panics. What one change cannot show by itself (that its dependencies exist,
// that seq follows, that a named object or predecessor exists) is left to the
// change graph and the fold.
//
// The package is also compiled to WebAssembly for phones, so it stays away
// from fmt, reflect and encoding/json.
package change
