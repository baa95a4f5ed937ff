// Package pack writes all changes of a closed document into one compressed
// string of bytes and reads them back as they were, byte for byte.
//
// A pack is a deflate stream of records, each behind those it depends on, so
// that a dependency is a distance back and not a hash. A hash stands before
// its chunk, since the chunks that follow name it again. The same changes give
// the same pack, in whatever order they are given.
package pack

import (
	"bytes"
	"cmp"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"

	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// Digest is what is kept beside a pack to know damage by.
func Digest(pack []byte) []byte {
	d := sha256.Sum256(pack)
	return d[:]
}

// ErrDamaged says that a pack does not have its digest or cannot be read.
var ErrDamaged = errors.New("the pack is damaged")

// version is the first byte of the records.
const version = 1

// Encode packs changes. It refuses those of which one is there twice, has no
// bytes, or depends on one that is not among them.
func Encode(changes []hub.StoredChange) ([]byte, error) {
	ordered, err := order(changes)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	z, err := flate.NewWriter(&out, flate.BestCompression)
	if err != nil {
		return nil, err
	}
	at := make(map[change.Hash]int, len(ordered))
	b := []byte{version}
	b = binary.AppendUvarint(b, uint64(len(ordered)))
	for i, c := range ordered {
		at[c.Hash] = i
		b = append(b, c.Hash[:]...)
		b = appendText(b, string(c.Bytes))
		b = appendText(b, string(c.Actor))
		b = binary.AppendUvarint(b, c.Seq)
		b = binary.AppendUvarint(b, uint64(len(c.Deps)))
		for _, d := range c.Deps {
			b = binary.AppendUvarint(b, uint64(i-at[d]))
		}
		b = binary.AppendVarint(b, c.ReceivedAt)
		b = appendText(b, c.Device)
		b = appendText(b, c.Via)
		b = binary.AppendUvarint(b, uint64(len(c.Entries)))
		for _, e := range c.Entries {
			b = appendText(b, e.ID)
			b = appendText(b, e.Person)
		}
		if _, err := z.Write(b); err != nil {
			return nil, err
		}
		b = b[:0]
	}
	if _, err := z.Write(b); err != nil { // of a pack without changes
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// order gives the changes each behind its dependencies; of those that could
// stand next, the one with the smallest hash goes deepest first.
func order(changes []hub.StoredChange) ([]*hub.StoredChange, error) {
	sorted := make([]*hub.StoredChange, len(changes))
	for i := range changes {
		sorted[i] = &changes[i]
	}
	slices.SortFunc(sorted, func(a, b *hub.StoredChange) int { return a.Hash.Compare(b.Hash) })
	byHash := make(map[change.Hash]*hub.StoredChange, len(sorted))
	for i, c := range sorted {
		if i > 0 && sorted[i-1].Hash == c.Hash {
			return nil, fmt.Errorf("change %s is there twice", c.Hash)
		}
		if len(c.Bytes) == 0 {
			return nil, fmt.Errorf("change %s has no bytes", c.Hash)
		}
		byHash[c.Hash] = c
	}
	const opened, placed = 1, 2
	state := make(map[change.Hash]int, len(sorted))
	out := make([]*hub.StoredChange, 0, len(sorted))
	var stack []*hub.StoredChange // histories are long and thin: no recursion
	for _, c := range sorted {
		stack = append(stack[:0], c)
		for len(stack) > 0 {
			top := stack[len(stack)-1]
			if state[top.Hash] == placed {
				stack = stack[:len(stack)-1]
				continue
			}
			before := len(stack)
			for _, d := range top.Deps {
				dep := byHash[d]
				switch {
				case dep == nil:
					return nil, fmt.Errorf("change %s depends on %s, which is not there", top.Hash, d)
				case state[d] == placed:
				case state[top.Hash] == opened:
					return nil, fmt.Errorf("change %s depends on itself", d)
				default:
					stack = append(stack, dep)
				}
			}
			state[top.Hash] = opened
			if len(stack) == before {
				state[top.Hash] = placed
				out = append(out, top)
				stack = stack[:len(stack)-1]
			}
		}
	}
	return out, nil
}

// Decode reads a pack. When it is damaged, the error is ErrDamaged and the
// changes are those that could be read all the same: nothing vouches for what
// is in them. The entries of each change are ordered by id.
func Decode(pack, digest []byte) ([]hub.StoredChange, error) {
	z := io.Reader(flate.NewReader(bytes.NewReader(pack)))
	sound := bytes.Equal(Digest(pack), digest)
	if !sound { // there is no telling how much comes of it
		z = io.LimitReader(z, salvaged*int64(len(pack)))
	}
	var raw bytes.Buffer
	raw.Grow(5 * len(pack))
	_, broken := raw.ReadFrom(z)
	r := reader{b: raw.Bytes()}
	changes := r.changes()
	if !sound || broken != nil || r.bad || len(r.b) > 0 {
		return changes, ErrDamaged
	}
	return changes, nil
}

// salvaged is how many times its size a damaged pack may inflate to; a sound
// one of log entries comes to about four times.
const salvaged = 32

// reader takes fields from the front and remembers when one was not there.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) changes() (list []hub.StoredChange) {
	if v := r.take(1); r.bad || v[0] != version {
		r.bad = true
		return nil
	}
	n := r.uint()
	for i := uint64(0); i < n && !r.bad; i++ {
		var c hub.StoredChange
		copy(c.Hash[:], r.take(len(c.Hash)))
		c.Bytes = r.take(r.length())
		c.Actor = change.Actor(r.text())
		c.Seq = r.uint()
		if k := r.length(); uint64(k) > i {
			r.bad = true
		} else if k > 0 {
			c.Deps = make([]change.Hash, 0, k)
			for range k {
				back := r.uint()
				if back == 0 || back > i {
					r.bad = true
					break
				}
				c.Deps = append(c.Deps, list[i-back].Hash)
			}
		}
		c.ReceivedAt = r.int()
		c.Device, c.Via = r.text(), r.text()
		for range r.length() {
			c.Entries = append(c.Entries, hub.EntryRow{ID: r.text(), Person: r.text()})
		}
		if !r.bad {
			slices.SortFunc(c.Entries, func(a, b hub.EntryRow) int { return cmp.Compare(a.ID, b.ID) })
			list = append(list, c)
		}
	}
	return list
}

// take gives the next n bytes, not copied and without room behind them.
func (r *reader) take(n int) []byte {
	if n < 0 || n > len(r.b) {
		r.bad = true
		n = 0
	}
	out := r.b[:n:n]
	r.b = r.b[n:]
	return out
}

func (r *reader) uint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.bad = true
		n = 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) int() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.bad = true
		n = 0
	}
	r.b = r.b[n:]
	return v
}

// length is a count of things that take a byte each at least.
func (r *reader) length() int {
	v := r.uint()
	if v > uint64(len(r.b)) {
		r.bad = true
		return 0
	}
	return int(v)
}

func (r *reader) text() string { return string(r.take(r.length())) }
