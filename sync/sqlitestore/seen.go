package sqlitestore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
)

// seen is a small file beside the database (name + "-seen") that says how many
// batches of changes were stored when it was written last. A write-ahead log
// that lost its end, and a database that was put back from a copy, look like a
// clean older database: nothing inside can tell. This number outside can.
//
// It is written after a commit is on the disk and is never synced itself, so
// it costs no wait, and it can be behind the database but never ahead of it:
// when it is ahead, batches are missing. What it does not notice: a loss after
// a power failure that took the newest number too, a folder that was put back
// whole, and the loss of what is no batch of changes (an invitation, a
// device). Phones hold later heads in each of these cases, and bring back what
// they have.
type seen struct {
	file  *os.File // nil when it cannot be written
	noted uint64   // what it says
}

const seenSuffix = "-seen"

// seenLine is what the file holds: a number and the check of its digits, always
// of the same length, so that writing it again needs no room on the disk.
func seenLine(n uint64) []byte {
	digits := fmt.Sprintf("%020d", n)
	return fmt.Appendf(nil, "batches stored %s %08x\n", digits, crc32.ChecksumIEEE([]byte(digits)))
}

// readSeen gives the number in a file's beginning; false when there is none
// that can be read, as in a file that was torn or never written.
func readSeen(b []byte) (n uint64, ok bool) {
	if _, err := fmt.Fscanf(bytes.NewReader(b), "batches stored %d", &n); err != nil || !bytes.Equal(b, seenLine(n)) {
		return 0, false
	}
	return n, true
}

func openSeen(path string, readOnly bool) (seen, error) {
	flags := os.O_RDWR | os.O_CREATE
	if readOnly {
		flags = os.O_RDONLY
	}
	f, err := os.OpenFile(path+seenSuffix, flags, 0o600)
	if errors.Is(err, os.ErrNotExist) && readOnly {
		return seen{}, nil
	}
	if err != nil {
		return seen{}, err
	}
	b := make([]byte, len(seenLine(0))+1)
	n, err := f.ReadAt(b, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return seen{}, errors.Join(err, f.Close())
	}
	s := seen{file: f}
	var ok bool
	if s.noted, ok = readSeen(b[:n]); !ok && !readOnly {
		return s, f.Truncate(0)
	}
	return s, nil
}

// note writes a greater number. A failure costs a later notice, and nothing
// else.
func (s *seen) note(n uint64) {
	if s.file == nil || n <= s.noted {
		return
	}
	if _, err := s.file.WriteAt(seenLine(n), 0); err == nil {
		s.noted = n
	}
}

func (s *seen) close() error {
	if s.file == nil {
		return nil
	}
	return s.file.Close()
}

// compare counts the stored batches and sets behind. The file was read before,
// so that a server that goes on storing meanwhile makes no difference.
func (db *DB) compare(ctx context.Context) error {
	err := db.reader.QueryRowContext(ctx, `SELECT COALESCE(SUM(revision), 0) FROM sites`).Scan(&db.batches)
	if err != nil {
		return fmt.Errorf("counting its batches: %w", err)
	}
	if db.seen.noted > db.batches {
		db.behind = db.seen.noted - db.batches
	}
	return nil
}

// Behind is how many batches of changes are known to have been stored in this
// file and were no longer there when it was opened; 0 when none is known to be
// missing. It is less at the next opening when phones have brought batches back.
func (db *DB) Behind() uint64 { return db.behind }
