package wire

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"os"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"gatewright/sync/change"
)

func hashOf(n int) change.Hash {
	return sha256.Sum256(binary.BigEndian.AppendUint64(nil, uint64(n)))
}

func hashesOf(from, to int) []change.Hash {
	var out []change.Hash
	for i := from; i < to; i++ {
		out = append(out, hashOf(i))
	}
	return out
}

func TestPayloadComesBack(t *testing.T) {
	hashes := rapid.Map(rapid.SliceOfN(rapid.IntRange(0, 1000), 0, 5), func(ns []int) []change.Hash {
		var out []change.Hash
		for _, n := range ns {
			out = append(out, hashOf(n))
		}
		return out
	})
	rapid.Check(t, func(t *rapid.T) {
		m := SyncMessage{Heads: hashes.Draw(t, "heads"), Need: hashes.Draw(t, "need")}
		for range rapid.IntRange(0, maxHave).Draw(t, "have") {
			m.Have = append(m.Have, Have{LastSync: hashes.Draw(t, "lastSync"), Bloom: NewBloom(hashes.Draw(t, "bloom"))})
		}
		for range rapid.IntRange(0, 4).Draw(t, "changes") {
			m.Changes = append(m.Changes, rapid.SliceOfN(rapid.Byte(), minChunk, 200).Draw(t, "chunk"))
		}
		b := m.Encode()
		got, err := DecodeSync(b)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(m, got); d != "" {
			t.Fatal(d)
		}
		if _, err := DecodeSync(append(b, 2, 1, 2)); err != nil {
			t.Fatalf("capability tail: %v", err)
		}
		for i := range b {
			if _, err := DecodeSync(b[:i]); err == nil {
				t.Fatalf("cut at %d of %d was accepted", i, len(b))
			}
		}
	})
}

func TestRefusedPayloads(t *testing.T) {
	chunk := make([]byte, minChunk)
	empty := slices.Clip(SyncMessage{}.Encode())
	// have of one entry with these bytes as its filter
	filter := func(b ...byte) []byte {
		out := []byte{payloadV1, 0, 0, 1, 0}
		out = binary.AppendUvarint(out, uint64(len(b)))
		return append(append(out, b...), 0)
	}
	cases := []struct {
		name  string
		in    []byte
		code  Code
		field string
	}{
		{"nothing", nil, CodeMalformed, "payload"},
		{"version 2", []byte{payloadV2, 0, 0, 0, 0}, CodeVersion, "payload"},
		{"another type", []byte{0x41, 0, 0, 0, 0}, CodeMalformed, "payload"},
		{"too long", append([]byte{payloadV1}, make([]byte, MaxFrame)...), CodeSize, "payload"},
		{"only the type", []byte{payloadV1}, CodeMalformed, "heads"},
		{"more heads than bytes", []byte{payloadV1, 2, 0, 0, 0, 0}, CodeSize, "heads"},
		{"2^64-1 heads", append([]byte{payloadV1}, binary.AppendUvarint(nil, 1<<64-1)...), CodeSize, "heads"},
		{"number of 65 bits", []byte{payloadV1, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x02, 0, 0, 0}, CodeMalformed, "heads"},
		{"number not shortest", []byte{payloadV1, 0x80, 0x00, 0, 0, 0}, CodeMalformed, "heads"},
		{"number without end", []byte{payloadV1, 0x80}, CodeMalformed, "heads"},
		{"more needs than bytes", []byte{payloadV1, 0, 1, 0, 0}, CodeSize, "need"},
		{"too many have", append([]byte{payloadV1, 0, 0, maxHave + 1}, make([]byte, 2*maxHave+3)...), CodeSize, "have"},
		{"more have than bytes", []byte{payloadV1, 0, 0, 3, 0, 0, 0}, CodeSize, "have"},
		{"filter longer than the rest", []byte{payloadV1, 0, 0, 1, 0, 9, 0}, CodeSize, "bloom"},
		{"filter with entries but no bits", filter(1, 0, 7), CodeValue, "bloom"},
		{"filter with entries, bits missing", filter(1, 10, 7), CodeSize, "bloom"},
		{"filter with a byte too many", filter(1, 10, 7, 0, 0, 0), CodeSize, "bloom"},
		{"filter without entries", filter(0, 10, 7), CodeValue, "bloom"},
		{"filter without probes", filter(1, 10, 0, 0, 0), CodeValue, "bloom"},
		{"filter with too many probes", filter(1, 10, 65, 0, 0), CodeValue, "bloom"},
		{"filter with too many bits", filter(1, 65, 7, 0, 0, 0, 0, 0, 0, 0, 0, 0), CodeValue, "bloom"},
		{"filter whose size wraps around", filter(append(binary.AppendUvarint(nil, 1<<61), 8, 7)...), CodeSize, "bloom"},
		{"filter cut in a number", filter(0x80), CodeMalformed, "bloom"},
		{"more changes than bytes", []byte{payloadV1, 0, 0, 0, 1}, CodeSize, "changes"},
		{"change longer than the rest", append([]byte{payloadV1, 0, 0, 0, 1, minChunk + 1}, chunk...), CodeSize, "changes"},
		{"change too short", append([]byte{payloadV1, 0, 0, 0, 1, minChunk - 1}, chunk...), CodeSize, "changes"},
		{"tail too long", append(append(empty, 100), make([]byte, 100)...), CodeSize, "capabilities"},
		{"tail with bytes after it", append(empty, 1, 1, 1), CodeMalformed, "capabilities"},
		{"tail cut", append(empty, 2, 1), CodeSize, "capabilities"},
	}
	for _, c := range cases {
		_, err := DecodeSync(c.in)
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("%s: got %v", c.name, err)
			continue
		}
		if e.Code != c.code || e.Field != c.field {
			t.Errorf("%s: got %v, want %s of %s", c.name, e, c.code, c.field)
		}
	}
}

func TestBloom(t *testing.T) {
	const n, probes = 2000, 20000
	b := NewBloom(hashesOf(0, n))
	for i := range n {
		if !b.Contains(hashOf(i)) {
			t.Fatalf("denies entry %d", i)
		}
	}
	wrong := 0
	for i := n; i < n+probes; i++ {
		if b.Contains(hashOf(i)) {
			wrong++
		}
	}
	// 10 bits and 7 probes give 0.8 %
	if wrong == 0 || wrong > probes/50 {
		t.Errorf("%d false positives of %d", wrong, probes)
	}
	if b.Len() != n || (Bloom{}).Contains(hashOf(1)) || !NewBloom(nil).Equal(Bloom{}) || b.Equal(NewBloom(hashesOf(0, n-1))) {
		t.Error("length, empty filter or equality")
	}
}

// The filters that stock peers sent hold exactly the changes that they made.
func TestBloomOfStockPeers(t *testing.T) {
	byHash := map[string]bool{}
	for _, c := range frames(t) {
		if c.Sync == nil {
			continue
		}
		for _, h := range c.Sync.Changes {
			byHash[h] = true
		}
	}
	checked := 0
	for i, c := range frames(t) {
		if c.Sync == nil || len(c.Sync.Have) == 0 || len(c.Sync.Heads) != 1 || !byHash[c.Sync.Heads[0]] {
			continue
		}
		m, err := Decode(unhex(t, c.Hex))
		if err != nil {
			t.Fatal(err)
		}
		s, err := DecodeSync(m.(Sync).Data)
		if err != nil {
			t.Fatal(err)
		}
		b := s.Have[0].Bloom
		if b.Len() == 1 && !cmp.Equal(s.Have[0].LastSync, s.Heads) {
			checked++
			if !b.Equal(NewBloom(s.Heads)) {
				t.Errorf("frame %d: filter of the one head differs from ours", i)
			}
		}
	}
	if checked == 0 {
		t.Error("the fixture has no filter of one known hash")
	}
}

func TestDocumentID(t *testing.T) {
	// made with automerge-repo's interpretAsDocumentId and bs58check
	b, err := os.ReadFile("testdata/documentids.json")
	if err != nil {
		t.Fatal(err)
	}
	var list []struct{ Hex, ID string }
	if err := json.Unmarshal(b, &list); err != nil {
		t.Fatal(err)
	}
	if len(list) < 10 {
		t.Fatal("fixture too thin")
	}
	for _, c := range list {
		raw := [16]byte(unhex(t, c.Hex))
		if got := DocumentID(raw); got != c.ID {
			t.Errorf("%s: got %s, want %s", c.Hex, got, c.ID)
		}
		if got, err := ParseDocumentID(c.ID); err != nil || got != raw {
			t.Errorf("%s: got %x, %v", c.ID, got, err)
		}
		for _, bad := range []string{c.ID[1:], c.ID + "1", "1" + c.ID, c.ID[:5] + "0" + c.ID[6:], c.ID[:5] + "é" + c.ID[6:]} {
			if _, err := ParseDocumentID(bad); code(err) != CodeValue {
				t.Errorf("%s was accepted", bad)
			}
		}
		for i := range c.ID { // any one wrong character
			other := byte('2')
			if c.ID[i] == other {
				other = '3'
			}
			if _, err := ParseDocumentID(c.ID[:i] + string(other) + c.ID[i+1:]); err == nil {
				t.Errorf("%s with a wrong character at %d was accepted", c.ID, i)
			}
		}
	}
	for _, bad := range []string{"", "1", "zzzzzzzzzzzzzzzzzzzzzzzzzzzz", "zzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzz"} {
		if _, err := ParseDocumentID(bad); code(err) != CodeValue {
			t.Errorf("%q was accepted", bad)
		}
	}
}
