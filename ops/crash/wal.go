package crash

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// A write-ahead log of SQLite is a header of 32 bytes and frames of 24 bytes and a page each. A frame counts when it
// has the header's salts and its checksum, which runs on from the frame before; a transaction counts when its last
// frame, the one that gives a database size, does. (SQLite, "Database File Format", section 4, the WAL format.)
const (
	walHeader   = 32
	frameHeader = 24
)

// wal is a log as SQLite would read it.
type wal struct {
	bytes   []byte
	page    int
	frames  int   // that count
	commits []int // the offset at which each transaction ends, rising
}

func (w *wal) frame() int { return frameHeader + w.page }

// readWAL reads a log with no code of SQLite's.
func readWAL(b []byte) (*wal, error) {
	if len(b) < walHeader {
		return nil, errors.New("the log has no header")
	}
	magic := binary.BigEndian.Uint32(b)
	if magic&^1 != 0x377f0682 {
		return nil, fmt.Errorf("the log begins with %x", magic)
	}
	var order binary.ByteOrder = binary.LittleEndian
	if magic&1 == 1 {
		order = binary.BigEndian
	}
	w := &wal{bytes: b, page: int(binary.BigEndian.Uint32(b[8:]))}
	s0, s1 := sum(order, 0, 0, b[:24])
	if s0 != binary.BigEndian.Uint32(b[24:]) || s1 != binary.BigEndian.Uint32(b[28:]) {
		return nil, errors.New("the log's header has another checksum")
	}
	salts := string(b[16:24])
	for at := walHeader; at+w.frame() <= len(b); at += w.frame() {
		f := b[at : at+w.frame()]
		s0, s1 = sum(order, s0, s1, f[:8])
		s0, s1 = sum(order, s0, s1, f[frameHeader:])
		if string(f[8:16]) != salts || s0 != binary.BigEndian.Uint32(f[16:]) || s1 != binary.BigEndian.Uint32(f[20:]) {
			break
		}
		w.frames++
		if binary.BigEndian.Uint32(f[4:]) != 0 {
			w.commits = append(w.commits, at+w.frame())
		}
	}
	return w, nil
}

func sum(order binary.ByteOrder, s0, s1 uint32, b []byte) (uint32, uint32) {
	for i := 0; i+8 <= len(b); i += 8 {
		s0 += order.Uint32(b[i:]) + s1
		s1 += order.Uint32(b[i+4:]) + s0
	}
	return s0, s1
}

// kept gives how many transactions are left when nothing from an offset on can be trusted.
func (w *wal) kept(offset int) (n int) {
	for n < len(w.commits) && w.commits[n] <= offset {
		n++
	}
	return n
}
