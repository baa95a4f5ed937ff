// Package record gives the bytes and the digest by which a record is signed
// and compared: its canonical JSON, and the SHA-256 of that.
package record

import (
	"crypto/sha256"
	"encoding/hex"

	"gatewright/schema/canon"
)

// CanonicalInput is one record, or any other JSON.
type CanonicalInput struct {
	Value canon.Value `json:"value" doc:"any JSON: an object, a list, text, a number, true, false or null"`
}

// CanonicalResult is the record as it is signed.
type CanonicalResult struct {
	Canonical string `json:"canonical" doc:"the value in its canonical form"`
	SHA256    string `json:"sha256" doc:"SHA-256 of the canonical form in UTF-8, in hexadecimal"`
}

// Canonical writes a value in the form of RFC 8785 and digests it (FIPS
// 180-4). Numbers are those of IEEE 754 double precision: a whole number
// beyond 2^53 comes out as the nearest one that this has. No value is an
// error.
func Canonical(in CanonicalInput) (CanonicalResult, error) {
	text := canon.Append(nil, in.Value)
	sum := sha256.Sum256(text)
	return CanonicalResult{Canonical: string(text), SHA256: hex.EncodeToString(sum[:])}, nil
}
