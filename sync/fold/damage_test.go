package fold_test

import (
	"bytes"
	"crypto/sha256"
	"slices"
	"testing"

	"gatewright/sync/change"
	"gatewright/sync/fold"
)

// damaged gives the plain chunk with one byte of its contents changed and the
// checksum made right again.
func damaged(plain []byte, at int, x byte) []byte {
	b := bytes.Clone(plain)
	b[at] ^= x
	sum := sha256.Sum256(b[8:])
	copy(b[4:8], sum[:4])
	return b
}

// A changed byte that the decoder lets through is applied whole or not at all,
// and the true change can still be applied afterwards if it was not.
func TestDamagedChanges(t *testing.T) {
	applied, kept := 0, 0
	for _, d := range documents(t)[:12] {
		cs := d.decode(t)
		for n := len(cs) / 2; n < len(cs); n += 3 {
			for at := 11; at < len(cs[n].Bytes); at++ {
				c, err := change.Decode(damaged(cs[n].Bytes, at, 1), change.DefaultLimits)
				if err != nil {
					continue
				}
				f := fold.New()
				for _, x := range cs[:n] {
					if err := f.Apply(x); err != nil {
						t.Fatal(err)
					}
				}
				before, heads := f.JSON(), f.Heads()
				if err := f.Apply(c); err == nil {
					applied++
					f.JSON()
					f.Conflicts()
					continue
				}
				kept++
				if !bytes.Equal(before, f.JSON()) || !slices.Equal(heads, f.Heads()) {
					t.Fatalf("half of a refused change stayed: %x", c.Bytes)
				}
				if err := f.Apply(cs[n]); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if applied == 0 || kept == 0 {
		t.Errorf("%d applied and %d refused test nothing", applied, kept)
	}
	t.Log(applied, "applied,", kept, "refused")
}
