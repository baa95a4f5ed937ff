package wire

import (
	"bytes"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Whatever Decode accepts, Encode writes and Decode reads the same again.
func FuzzDecode(f *testing.F) {
	for _, c := range frames(f) {
		f.Add(unhex(f, c.Hex))
	}
	for _, m := range []map[string]any{aSync, aJoin, aCast, with(aJoin, "peerMetadata", undefined)} {
		f.Add(frame(f, m))
	}
	for _, m := range []Message{
		Join{SenderID: "p1", Gatewright: true},
		Documents{SenderID: "hub", TargetID: "p1", Documents: []Document{{"plan", "d1", hashesOf(0, 2)}, {"log/2026-03", "d2", nil}}},
		Refused{SenderID: "hub", TargetID: "p1", DocumentID: "d1", Refused: []RefusedChange{
			{Hash: hashOf(1), Code: "rights", Reason: "by: may not do this", Entries: []string{"01J"}, Held: true}, {Hash: hashOf(2), Code: "key"}}},
	} {
		b, err := Encode(m)
		if err != nil {
			f.Fatal(err)
		}
		if again, err := Decode(b); err != nil || again.Type() != m.Type() {
			f.Fatalf("%#v came back as %#v, %v", m, again, err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := Decode(b)
		if slow, slowErr := decode(b); len(b) <= MaxFrame && (!cmp.Equal(slow, m) || !cmp.Equal(slowErr, err)) {
			t.Fatalf("read quickly %#v, %v; else %#v, %v", m, err, slow, slowErr)
		}
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Field == "" || e.Code == "" || m != nil {
				t.Fatalf("%v, %#v", m, err)
			}
			return
		}
		if _, ok := m.(Other); ok {
			return
		}
		out, err := Encode(m)
		if err != nil {
			t.Fatalf("%#v: %v", m, err)
		}
		if sync, ok := m.(Sync); ok {
			slow, err := encMode.Marshal(documentShape{Type: sync.Type(), SenderID: sync.SenderID, TargetID: sync.TargetID, DocumentID: sync.DocumentID, Data: sync.Data})
			if err != nil || !bytes.Equal(slow, out) {
				t.Fatalf("written quickly %x, else %x, %v", out, slow, err)
			}
		}
		again, err := Decode(out)
		if err != nil || !cmp.Equal(m, again) {
			t.Fatalf("%#v came back as %#v, %v", m, again, err)
		}
	})
}

// Whatever DecodeSync accepts is, but for the tail, what Encode writes; every
// filter can be asked, and no more is kept than came.
func FuzzDecodeSync(f *testing.F) {
	for _, c := range frames(f) {
		if m, err := Decode(unhex(f, c.Hex)); err == nil {
			if s, ok := m.(Sync); ok {
				f.Add(s.Data)
			}
		}
	}
	f.Add(SyncMessage{}.Encode())
	f.Add(SyncMessage{Heads: hashesOf(0, 2), Need: hashesOf(2, 3), Changes: [][]byte{make([]byte, 40)},
		Have: []Have{{}, {LastSync: hashesOf(4, 6), Bloom: NewBloom(hashesOf(0, 9))}}}.Encode())
	f.Add([]byte{payloadV1, 0, 0, 1, 0, 3, 1, 0, 7, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := DecodeSync(b)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Field == "" || e.Code == "" {
				t.Fatalf("%#v", err)
			}
			return
		}
		kept := 32 * (len(m.Heads) + len(m.Need))
		for _, h := range m.Have {
			h.Bloom.Contains(hashOf(len(b)))
			kept += 32*len(h.LastSync) + h.Bloom.Size()
			if h.Bloom.Len() > 0 && (h.Bloom.Probes() < 1 || h.Bloom.Probes() > maxBloomProbes) {
				t.Fatalf("%d probes", h.Bloom.Probes())
			}
		}
		if kept > len(b) || len(m.Have) > maxHave {
			t.Fatalf("%d bytes are kept of %d, of %d filters", kept, len(b), len(m.Have))
		}
		out := m.Encode()
		if !bytes.HasPrefix(b, out) || len(b)-len(out) > maxTail {
			t.Fatalf("%x came back as %x", b, out)
		}
	})
}
