package change

import (
	"bytes"
	"compress/flate"
	"io"
)

// inflate expands raw deflate data to at most limit bytes. The stream must end
// exactly where the data ends.
func inflate(data []byte, limit int) ([]byte, *Error) {
	src := bytes.NewReader(data)
	out, err := io.ReadAll(io.LimitReader(flate.NewReader(src), int64(limit)+1))
	if len(out) > limit {
		return nil, refuse(CodeSize, "inflates to more than the limit")
	}
	if err != nil {
		return nil, refuse(CodeInflate, "broken deflate stream")
	}
	if src.Len() != 0 {
		return nil, refuse(CodeTrailing, "bytes after the deflate stream")
	}
	return out, nil
}
