package change

import (
	"bytes"
	"errors"
)

// Hash names one change: the SHA-256 of its uncompressed chunk.
type Hash [32]byte

var errHash = errors.New("change hash: want 64 hexadecimal digits")

// String gives the hash as 64 lower-case hexadecimal digits.
func (h Hash) String() string { return hexOf(h[:]) }

// ParseHash reads the form that String writes; upper case is accepted.
func ParseHash(s string) (Hash, error) {
	var h Hash
	if !unhex(h[:], s) {
		return Hash{}, errHash
	}
	return h, nil
}

// Compare orders hashes by their bytes: -1, 0 or +1.
func (h Hash) Compare(o Hash) int { return bytes.Compare(h[:], o[:]) }
