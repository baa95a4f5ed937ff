package change

import (
	"bytes"
	"encoding/hex"
	"errors"
)

// Hash names one change: the SHA-256 of its uncompressed chunk.
type Hash [32]byte

var errHash = errors.New("change hash: want 64 hexadecimal digits")

// String gives the hash as 64 lower-case hexadecimal digits.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// ParseHash reads the form that String writes; upper case is accepted.
func ParseHash(s string) (Hash, error) {
	var h Hash
	if len(s) != 2*len(h) {
		return Hash{}, errHash
	}
	if _, err := hex.Decode(h[:], []byte(s)); err != nil {
		return Hash{}, errHash
	}
	return h, nil
}

// Compare orders hashes by their bytes: -1, 0 or +1.
func (h Hash) Compare(o Hash) int { return bytes.Compare(h[:], o[:]) }
