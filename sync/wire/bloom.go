package wire

import (
	"bytes"
	"encoding/binary"

	"gatewright/sync/change"
)

// What NewBloom uses: about one false positive in a hundred. Other values are
// accepted within the limits below.
const (
	bloomBits   = 10
	bloomProbes = 7

	maxBloomBits   = 64
	maxBloomProbes = 16
	maxBloomSize   = 512 << 10 // bytes: 400,000 changes that the other side may lack
)

// Bloom is a set of change hashes that may claim to hold one it does not, and
// never denies one it holds. The zero value is the empty set.
type Bloom struct {
	entries, perEntry, probes uint32
	bits                      []byte
}

// NewBloom makes the filter that holds the given hashes.
func NewBloom(hashes []change.Hash) Bloom {
	if len(hashes) == 0 {
		return Bloom{}
	}
	b := Bloom{entries: uint32(len(hashes)), perEntry: bloomBits, probes: bloomProbes,
		bits: make([]byte, bloomBytes(uint64(len(hashes)), bloomBits))}
	for i := range hashes {
		b.each(&hashes[i], func(byteAt uint32, mask byte) bool {
			b.bits[byteAt] |= mask
			return true
		})
	}
	return b
}

func bloomBytes(entries, perEntry uint64) uint64 { return (entries*perEntry + 7) / 8 }

// Len is the number of hashes that were put in.
func (b Bloom) Len() int { return int(b.entries) }

// Size is the number of bytes that the filter takes.
func (b Bloom) Size() int { return len(b.bits) }

// Probes is how many bits are looked at, at most, to tell about one hash.
func (b Bloom) Probes() int { return int(b.probes) }

// Contains reports whether the hash may be in the set.
func (b Bloom) Contains(h change.Hash) bool {
	if b.entries == 0 {
		return false
	}
	in := true
	b.each(&h, func(byteAt uint32, mask byte) bool {
		in = b.bits[byteAt]&mask != 0
		return in
	})
	return in
}

// each visits the bits that stand for h: triple hashing over the first twelve
// bytes of the hash (Dillinger and Manolios, "Bloom Filters in Probabilistic
// Verification", 2004), in 32-bit arithmetic as the reference has it.
func (b Bloom) each(h *change.Hash, visit func(byteAt uint32, mask byte) bool) {
	m := uint64(len(b.bits)) * 8
	x := uint64(binary.LittleEndian.Uint32(h[0:])) % m
	y := uint64(binary.LittleEndian.Uint32(h[4:])) % m
	z := uint64(binary.LittleEndian.Uint32(h[8:])) % m
	for i := uint32(0); ; i++ {
		if !visit(uint32(x>>3), 1<<(x&7)) || i+1 >= b.probes {
			return
		}
		x = (x + y) % m
		y = (y + z) % m
	}
}

// append writes the filter; the empty one has no bytes at all.
func (b Bloom) append(out []byte) []byte {
	if b.entries == 0 {
		return out
	}
	out = binary.AppendUvarint(out, uint64(b.entries))
	out = binary.AppendUvarint(out, uint64(b.perEntry))
	out = binary.AppendUvarint(out, uint64(b.probes))
	return append(out, b.bits...)
}

// parseBloom reads a filter that must fill raw exactly, and copies it: filters
// are kept longer than the frame they came in. A filter with entries
// but without bits is what the reference divides by zero on.
func parseBloom(raw []byte) (Bloom, error) {
	if len(raw) == 0 {
		return Bloom{}, nil
	}
	r := &payloadReader{rest: raw}
	entries, perEntry, probes := r.uleb("bloom"), r.uleb("bloom"), r.uleb("bloom")
	if r.err != nil {
		return Bloom{}, r.err
	}
	switch {
	case entries == 0:
		return Bloom{}, fail(CodeValue, "bloom", "written out without entries")
	case entries > 8*maxBloomSize, len(r.rest) > maxBloomSize:
		return Bloom{}, fail(CodeSize, "bloom", "too many entries")
	case perEntry == 0 || perEntry > maxBloomBits:
		return Bloom{}, fail(CodeValue, "bloom", "bits per entry out of range")
	case probes == 0 || probes > maxBloomProbes:
		return Bloom{}, fail(CodeValue, "bloom", "probes out of range")
	case bloomBytes(entries, perEntry) != uint64(len(r.rest)):
		return Bloom{}, fail(CodeSize, "bloom", "length does not follow from the entries")
	}
	return Bloom{entries: uint32(entries), perEntry: uint32(perEntry), probes: uint32(probes), bits: bytes.Clone(r.rest)}, nil
}

// Equal reports whether both filters are written with the same bytes.
func (b Bloom) Equal(o Bloom) bool {
	return b.entries == o.entries && b.perEntry == o.perEntry && b.probes == o.probes && bytes.Equal(b.bits, o.bits)
}
