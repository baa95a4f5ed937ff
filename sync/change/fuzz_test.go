package change_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"testing"

	"gatewright/sync/change"
)

// seal gives contents the frame and checksum of a plain change chunk.
func seal(content []byte) []byte {
	body := append([]byte{1}, uleb(uint64(len(content)))...)
	body = append(body, content...)
	sum := sha256.Sum256(body)
	return append(append([]byte("\x85\x6f\x4a\x83"), sum[:4]...), body...)
}

func uleb(v uint64) []byte {
	var b []byte
	for v >= 0x80 {
		b = append(b, byte(v)|0x80)
		v >>= 7
	}
	return append(b, byte(v))
}

// content takes the contents out of a plain chunk.
func content(chunk []byte) []byte {
	at := 9
	for chunk[at]&0x80 != 0 {
		at++
	}
	return chunk[at+1:]
}

// holds checks what must be true of whatever Decode is given.
func holds(t *testing.T, chunk []byte) {
	c, err := change.Decode(chunk, change.DefaultLimits)
	if err != nil {
		var e *change.Error
		if !errors.As(err, &e) || e.Code == "" || e.Detail == "" {
			t.Fatalf("error without a code: %v", err)
		}
		return
	}
	if chunk[8] == 1 && !bytes.Equal(c.Bytes, chunk) {
		t.Fatalf("Bytes differs from the chunk %s", b64(chunk))
	}
	again := *c
	again.Bytes = nil
	if err := change.Encode(&again); err != nil {
		t.Fatalf("decoded but not encoded: %v: %s", err, b64(chunk))
	}
	if !bytes.Equal(again.Bytes, c.Bytes) || again.Hash != c.Hash {
		t.Fatalf("accepted in another form than the one of Encode: %s", b64(chunk))
	}
}

// FuzzDecode tries the chunk as it is and its contents under a right checksum,
// which lets a mutation reach what lies behind the frame.
func FuzzDecode(f *testing.F) {
	for i, fx := range fixtures(f) {
		if i%4 == 0 {
			f.Add(fx.Chunk)
		}
		if fx.Deflated != nil {
			f.Add(fx.Deflated)
		}
	}
	f.Fuzz(func(t *testing.T, chunk []byte) {
		holds(t, chunk)
		holds(t, seal(chunk))
		if len(chunk) > 12 {
			holds(t, seal(chunk[10:]))
		}
	})
}

// Every fixture with every single byte changed, behind a right checksum.
func TestOneByteChanged(t *testing.T) {
	refused, total := 0, 0
	for _, fx := range fixtures(t) {
		body := content(fx.Chunk)
		if len(body) > 250 {
			continue
		}
		for i := range body {
			for _, x := range []byte{1, 0x40, 0x80, 0xff} {
				mutant := bytes.Clone(body)
				mutant[i] ^= x
				chunk := seal(mutant)
				holds(t, chunk)
				total++
				if _, err := change.Decode(chunk, change.DefaultLimits); err != nil {
					refused++
				}
			}
		}
		for i := range body {
			holds(t, seal(body[:i]))
		}
	}
	t.Logf("%d of %d refused", refused, total)
}
