package sqlstore

import (
	"errors"
	"fmt"
	"slices"

	"gatewright/sync/change"
)

// blob is b, never NULL.
func blob(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// joined puts hashes one after the other.
func joined(hashes []change.Hash) []byte {
	b := make([]byte, 0, len(hashes)*len(change.Hash{}))
	for _, h := range hashes {
		b = append(b, h[:]...)
	}
	return b
}

// split undoes joined.
func split(b []byte) ([]change.Hash, error) {
	const n = len(change.Hash{})
	if len(b)%n != 0 {
		return nil, fmt.Errorf("%d bytes are no list of hashes", len(b))
	}
	var list []change.Hash
	for c := range slices.Chunk(b, n) {
		list = append(list, change.Hash(c))
	}
	return list, nil
}

func oneHash(b []byte) (change.Hash, error) {
	list, err := split(b)
	if err != nil || len(list) != 1 {
		return change.Hash{}, errors.New("a hash in the database has the wrong length")
	}
	return list[0], nil
}
