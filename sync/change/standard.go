//go:build !wasip1

package change

import (
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"io"
)

// Digest and inflation are the standard library's wherever there is room for
// it; a phone's WebAssembly has small ones of the same results (small.go).

func sum256(data []byte) [32]byte { return sha256.Sum256(data) }

// inflate expands raw deflate data to at most limit bytes. The stream must end
// exactly where the data ends.
func inflate(data []byte, limit int) ([]byte, *Error) {
	src := bytes.NewReader(data)
	out, err := io.ReadAll(io.LimitReader(flate.NewReader(src), int64(limit)+1))
	if len(out) > limit {
		return nil, errInflated
	}
	if err != nil {
		return nil, errInflate
	}
	if src.Len() != 0 {
		return nil, errAfterInflate
	}
	return out, nil
}
