package wire

import (
	"encoding/binary"

	"gatewright/sync/change"
)

const (
	payloadV1 = 0x42
	payloadV2 = 0x43

	maxHave  = 2    // the reference sends none or one
	maxHeads = 1024 // branches of a document that nobody has joined
	maxNeed  = 8192
	maxTail  = 64 // bytes of a capability tail
	minChunk = 10 // magic, checksum, type, length: shorter can be no change
)

// Have says what the sender holds: all that LastSync and its ancestors are,
// and, since then, what Bloom contains.
type Have struct {
	LastSync []change.Hash
	Bloom    Bloom
}

// SyncMessage is the payload of a Sync.
type SyncMessage struct {
	Heads   []change.Hash
	Need    []change.Hash // hashes the sender asks for by name
	Have    []Have
	Changes [][]byte // chunks, not looked into
}

// DecodeSync reads a payload. Counts are checked against the bytes that are
// left before anything is allocated; numbers must be in their shortest form; a
// capability tail is tolerated and dropped. Version 2 (0x43) gives CodeVersion.
// Changes alias data.
func DecodeSync(data []byte) (SyncMessage, error) {
	switch {
	case len(data) > MaxFrame:
		return SyncMessage{}, fail(CodeSize, "payload", "longer than 1 MiB")
	case len(data) == 0:
		return SyncMessage{}, fail(CodeMalformed, "payload", "empty")
	case data[0] == payloadV2:
		return SyncMessage{}, fail(CodeVersion, "payload", "version 2 is not spoken here")
	case data[0] != payloadV1:
		return SyncMessage{}, fail(CodeMalformed, "payload", "not a sync payload")
	}
	r := &payloadReader{rest: data[1:]}
	var m SyncMessage
	m.Heads = r.hashes("heads", maxHeads)
	m.Need = r.hashes("need", maxNeed)

	n := r.count("have", 2) // two lengths at the least
	if n > maxHave {
		return SyncMessage{}, fail(CodeSize, "have", "too many entries")
	}
	for range n {
		h := Have{LastSync: r.hashes("lastSync", maxHeads)}
		raw := r.bytes("bloom")
		if r.err != nil {
			return SyncMessage{}, r.err
		}
		var err error
		if h.Bloom, err = parseBloom(raw); err != nil {
			return SyncMessage{}, err
		}
		m.Have = append(m.Have, h)
	}

	n = r.count("changes", 1+minChunk)
	if n > 0 && r.err == nil {
		m.Changes = make([][]byte, 0, n)
	}
	for range n {
		c := r.bytes("changes")
		if r.err == nil && len(c) < minChunk {
			r.fail(CodeSize, "changes", "a chunk too short to be one")
		}
		if r.err != nil {
			return SyncMessage{}, r.err
		}
		m.Changes = append(m.Changes, c)
	}
	if r.err == nil && len(r.rest) > 0 {
		r.tail()
	}
	if r.err != nil {
		return SyncMessage{}, r.err
	}
	return m, nil
}

// Encode writes the payload, always version 1, never with a capability tail.
func (m SyncMessage) Encode() []byte {
	out := appendHashes([]byte{payloadV1}, m.Heads)
	out = appendHashes(out, m.Need)
	out = binary.AppendUvarint(out, uint64(len(m.Have)))
	for _, h := range m.Have {
		out = appendHashes(out, h.LastSync)
		b := h.Bloom.append(nil)
		out = binary.AppendUvarint(out, uint64(len(b)))
		out = append(out, b...)
	}
	out = binary.AppendUvarint(out, uint64(len(m.Changes)))
	for _, c := range m.Changes {
		out = binary.AppendUvarint(out, uint64(len(c)))
		out = append(out, c...)
	}
	return out
}

func appendHashes(out []byte, hashes []change.Hash) []byte {
	out = binary.AppendUvarint(out, uint64(len(hashes)))
	for i := range hashes {
		out = append(out, hashes[i][:]...)
	}
	return out
}

// payloadReader consumes rest and keeps the first error; after one, every
// method gives zero.
type payloadReader struct {
	rest []byte
	err  error
}

func (r *payloadReader) fail(code Code, field, detail string) {
	if r.err == nil {
		r.err = fail(code, field, detail)
	}
}

// uleb reads an unsigned LEB128 number of at most 64 bits, shortest form only.
func (r *payloadReader) uleb(field string) uint64 {
	if r.err != nil {
		return 0
	}
	v, n := binary.Uvarint(r.rest)
	switch {
	case n == 0:
		r.fail(CodeMalformed, field, "ends inside a number")
		return 0
	case n < 0:
		r.fail(CodeMalformed, field, "number of more than 64 bits")
		return 0
	case n > 1 && r.rest[n-1] == 0:
		r.fail(CodeMalformed, field, "number not in its shortest form")
		return 0
	}
	r.rest = r.rest[n:]
	return v
}

// count reads a number of items, each of at least size bytes.
func (r *payloadReader) count(field string, size int) int {
	n := r.uleb(field)
	if n > uint64(len(r.rest)/size) {
		r.fail(CodeSize, field, "more entries than bytes are left for")
		return 0
	}
	return int(n)
}

func (r *payloadReader) hashes(field string, most int) []change.Hash {
	n := r.count(field, len(change.Hash{}))
	if n > most {
		r.fail(CodeSize, field, "too many entries")
	}
	if r.err != nil || n == 0 {
		return nil
	}
	list := make([]change.Hash, n)
	for i := range list {
		copy(list[i][:], r.rest)
		r.rest = r.rest[len(list[i]):]
	}
	return list
}

func (r *payloadReader) bytes(field string) []byte {
	n := r.count(field, 1)
	if r.err != nil {
		return nil
	}
	b := r.rest[:n:n]
	r.rest = r.rest[n:]
	return b
}

// tail reads what newer peers append: a count and as many one-byte
// capabilities, to the end.
func (r *payloadReader) tail() {
	if len(r.rest) > maxTail {
		r.fail(CodeSize, "capabilities", "too long")
		return
	}
	if n := r.count("capabilities", 1); r.err == nil && n != len(r.rest) {
		r.fail(CodeMalformed, "capabilities", "bytes after the end")
	}
}
