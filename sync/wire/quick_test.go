package wire

import (
	"bytes"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// What is read quickly is what the general way reads, also when any one byte
// is another; and it is the quick way that reads what the reference and we
// write.
func TestQuickSync(t *testing.T) {
	var seen int
	for _, c := range frames(t) {
		b := unhex(t, c.Hex)
		m, err := decode(b)
		sync, is := m.(Sync)
		if err != nil || !is {
			continue
		}
		seen++
		if got, ok := quickSync(b); !ok || !cmp.Equal(got, sync) {
			t.Errorf("%s: read quickly %#v, %v; else %#v", c.Hex, got, ok, sync)
		}
		out, err := Encode(sync)
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := quickSync(out); !ok || !cmp.Equal(got, sync) {
			t.Errorf("%s: what we write comes back as %#v, %v", c.Hex, got, ok)
		}
		for i := range b {
			for _, x := range []byte{1, 0x20, 0x60, 0x80, 0xff} {
				bad := bytes.Clone(b)
				bad[i] ^= x
				got, ok := quickSync(bad)
				if !ok {
					continue
				}
				if want, err := decode(bad); err != nil || !cmp.Equal(want, Message(got)) {
					t.Errorf("%s, byte %d: read quickly %#v; else %#v, %v", c.Hex, i, got, want, err)
				}
			}
		}
	}
	if seen == 0 {
		t.Fatal("no frame of the reference is a sync")
	}
	for _, n := range []int{1, 23, 24, 255, 256, 65535, 65536, 70000} {
		m := Sync{SenderID: "p", TargetID: "q", DocumentID: "d", Data: make([]byte, n)}
		b, err := Encode(m)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := decode(b); err != nil || !cmp.Equal(got, Message(m)) {
			t.Errorf("%d bytes of data: %v", n, err)
		}
	}
}
