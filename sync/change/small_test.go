package change

import (
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"
)

// Every length around the edges of a block, and a long one (oracle: crypto/sha256).
func TestSmallSum256(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	data := make([]byte, 100_000)
	for i := range data {
		data[i] = byte(r.UintN(256))
	}
	for n := range 300 {
		if got, want := smallSum256(data[:n]), sha256.Sum256(data[:n]); got != want {
			t.Fatalf("%d bytes: %x, want %x", n, got, want)
		}
	}
	if got, want := smallSum256(data), sha256.Sum256(data); got != want {
		t.Errorf("%d bytes: %x, want %x", len(data), got, want)
	}
}

func deflated(t testing.TB, data []byte, level int) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := flate.NewWriter(&b, level)
	if err == nil {
		_, err = w.Write(data)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// contents are texts that make all kinds of block: stored, of the fixed code, of codes of their own with few and
// with many distances, and repetitions from far back.
func contents() [][]byte {
	r := rand.New(rand.NewPCG(3, 4))
	random := make([]byte, 70_000)
	for i := range random {
		random[i] = byte(r.UintN(256))
	}
	few := make([]byte, 5_000)
	for i := range few {
		few[i] = "aab"[r.IntN(3)]
	}
	var words strings.Builder
	for words.Len() < 120_000 {
		words.WriteString([]string{"gate ", "leaf ", "photocell ", "regulator ", "bar ", "6.5 ", "hinge and latch\n"}[r.IntN(7)])
		if r.IntN(50) == 0 {
			words.Write(random[:r.IntN(40)])
		}
	}
	far := append(append(bytes.Clone(random[:32<<10]), random[:300]...), random[5:700]...)
	return [][]byte{nil, []byte("a"), []byte("photocell"), bytes.Repeat([]byte{0}, 100_000), random, few, []byte(words.String()), far}
}

var levels = []int{flate.HuffmanOnly, flate.NoCompression, 1, 5, 9}

// same holds the two inflations against one another.
func same(t *testing.T, data []byte, limit int) {
	t.Helper()
	want, wrong := inflate(data, limit)
	got, err := smallInflate(data, limit)
	if !bytes.Equal(got, want) || (err == nil) != (wrong == nil) || err != nil && *err != *wrong {
		t.Fatalf("limit %d: %d bytes and %v, want %d and %v\n%x", limit, len(got), err, len(want), wrong, data)
	}
}

// What is inflated, and what is refused as what, is the same with both (oracle: compress/flate), whole, cut short,
// with something behind, at the limit and one beyond it.
func TestSmallInflate(t *testing.T) {
	for _, text := range contents() {
		for _, level := range levels {
			data := deflated(t, text, level)
			same(t, data, len(text))
			same(t, append(bytes.Clone(data), 0), len(text))
			for _, limit := range []int{0, 1, 258, len(text) - 1, len(text) + 1, 1 << 20} {
				if limit >= 0 {
					same(t, data, limit)
				}
			}
			data = deflated(t, text[:min(len(text), 1_500)], level)
			for cut := range data {
				same(t, data[:cut], 1<<20)
			}
		}
	}
}

// One changed byte makes most streams bad, in every way there is, and some good again.
func TestSmallInflateOfDamaged(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	ends := map[string]int{}
	for _, text := range contents() {
		text = text[:min(len(text), 2_000)]
		for _, level := range levels {
			data := deflated(t, text, level)
			for range 800 {
				bad := bytes.Clone(data)
				// Most of what can be wrong is said at the beginning.
				at := r.IntN(len(bad))
				if r.IntN(2) == 0 {
					at = r.IntN(min(len(bad), 60))
				}
				bad[at] ^= byte(1 + r.UintN(255))
				same(t, bad, 2*len(text)+1)
				if _, err := smallInflate(bad, 2*len(text)+1); err != nil {
					ends[err.Code]++
				} else {
					ends["none"]++
				}
			}
		}
	}
	for _, code := range []string{CodeInflate, CodeSize, CodeTrailing, "none"} {
		if ends[code] == 0 {
			t.Errorf("no damage ended in %s: %v", code, ends)
		}
	}
}

func FuzzSmallInflate(f *testing.F) {
	for _, text := range contents() {
		for _, level := range levels {
			f.Add(deflated(f, text[:min(len(text), 2_000)], level), uint16(4000))
		}
	}
	f.Fuzz(func(t *testing.T, data []byte, limit uint16) {
		same(t, data, int(limit))
		if smallSum256(data) != sha256.Sum256(data) {
			t.Fatalf("another SHA-256 of %x", data)
		}
	})
}

// Oracles: encoding/hex, encoding/binary.
func TestHexAndNumbers(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for n := range 70 {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(r.UintN(256))
		}
		text := hex.EncodeToString(b)
		if got := hexOf(b); got != text {
			t.Errorf("hex %s, want %s", got, text)
		}
		a, err := ParseActor(strings.ToUpper(text))
		if ok := n >= 1 && n <= MaxActor; (err == nil) != ok || ok && string(a) != string(b) {
			t.Errorf("actor of %d bytes: %x, %v", n, a, err)
		}
		if n >= 8 {
			v := binary.LittleEndian.Uint64(b)
			if littleEndian(b) != v || !bytes.Equal(appendLittleEndian(nil, v), b[:8]) {
				t.Errorf("%x reads as %d, want %d", b[:8], littleEndian(b), v)
			}
		}
	}
	for c := range 256 {
		text := "0" + string([]byte{byte(c)})
		want, err := hex.DecodeString(text)
		var got [1]byte
		if ok := unhex(got[:], text); ok != (err == nil) || ok && got[0] != want[0] {
			t.Errorf("%q reads as %x, want %x, %v", text, got, want, err)
		}
	}
	for _, text := range []string{"", "0", "000", "0g", strings.Repeat("00", MaxActor+1)} {
		if _, err := ParseActor(text); err == nil {
			t.Errorf("actor %q is accepted", text)
		}
	}
	if _, err := ParseHash("00"); !errors.Is(err, errHash) {
		t.Errorf("a short hash: %v", err)
	}
}
