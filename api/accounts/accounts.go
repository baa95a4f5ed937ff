// Package accounts keeps who there is: sites, people and their grants, devices and who uses them,
// invitations, challenges and tickets. Names live here and nowhere else, so that they can be erased; documents
// hold ids only.
//
// Everything is plain SQL over the database that the sync store opened. An id that a caller gives is looked up as
// hub.Text gives it, since not every database takes any bytes for text; a secret (an invitation's code, a
// ticket, a challenge) is stored as its SHA-256 only.
package accounts

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"io"
	"time"
	"unicode"
	"unicode/utf8"

	"gatewright/api/problem"
)

// DB is the database shared with the sync store: any number of readers, one writer. Both may run what they are given
// again, and say by hub.ErrAway and hub.ErrFull what a caller can do nothing about.
type DB interface {
	// Snapshot reads on one moment of the database.
	Snapshot(ctx context.Context, f func(ctx context.Context, tx *sql.Tx) error) error
	// Write runs f as if nobody else wrote at the time.
	Write(ctx context.Context, f func(tx *sql.Tx) error) error
	// Each is for what all phones do at once: of f, each statement sees what others have written by then.
	Each(ctx context.Context, f func(ctx context.Context, tx *sql.Tx) error) error
}

// Accounts answers who may come in.
type Accounts struct {
	db     DB
	now    func() time.Time
	random io.Reader
}

// New makes accounts over db; now is the server's clock.
func New(db DB, now func() time.Time) *Accounts {
	return &Accounts{db: db, now: now, random: rand.Reader}
}

// row reads one row that a key finds, or gives sql.ErrNoRows.
func (a *Accounts) row(ctx context.Context, query, key string, columns ...any) error {
	return a.db.Snapshot(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return tx.QueryRowContext(ctx, query, key).Scan(columns...)
	})
}

// list reads all rows of a query; the list is never nil.
func list[T any](ctx context.Context, a *Accounts, read func(scan func(...any) error) (T, error), query string, args ...any) ([]T, error) {
	var out []T
	err := a.db.Snapshot(ctx, func(ctx context.Context, tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, query, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		out = []T{}
		for rows.Next() {
			item, err := read(rows.Scan)
			if err != nil {
				return err
			}
			out = append(out, item)
		}
		return rows.Err()
	})
	return out, err
}

func (a *Accounts) millis() int64 { return a.now().UnixMilli() }

// bit is how both databases keep what is true or not.
func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

// crockford is Crockford's base 32: no I, L, O or U, so that a code can be read out over a tractor.
const crockford = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// code draws n characters of Crockford's base 32: 5 bits each.
func (a *Accounts) code(n int) (string, error) {
	b := make([]byte, n)
	if _, err := io.ReadFull(a.random, b); err != nil {
		return "", err
	}
	for i := range b {
		b[i] = crockford[b[i]&31]
	}
	return string(b), nil
}

// newID draws a person's or a device's id: the letter and 9 lower-case characters, 45 bits; the database
// refuses a repeat.
func (a *Accounts) newID(letter byte) (string, error) {
	s, err := a.code(9)
	if err != nil {
		return "", err
	}
	b := []byte{letter}
	for i := range len(s) {
		c := s[i]
		if c >= 'A' && c <= 'Z' {
			c += 'a' - 'A'
		}
		b = append(b, c)
	}
	return string(b), nil
}

// hash is what is kept of a secret.
func hash(secret string) []byte {
	sum := sha256.Sum256([]byte(secret))
	return sum[:]
}

func invalid(field, sentence string) error { return problem.New(problem.Invalid, field, sentence) }

// cleanName trims and bounds a name that a person typed.
func cleanName(field, name string) (string, error) {
	if !utf8.ValidString(name) {
		return "", invalid(field, field+" is not UTF-8: type a name of 1 to 60 characters.")
	}
	r := []rune(name)
	for len(r) > 0 && r[0] <= ' ' {
		r = r[1:]
	}
	for len(r) > 0 && r[len(r)-1] <= ' ' {
		r = r[:len(r)-1]
	}
	if len(r) == 0 {
		return "", invalid(field, field+" is empty: type a name of 1 to 60 characters.")
	}
	if len(r) > 60 {
		return "", invalid(field, field+" is too long: a name has at most 60 characters.")
	}
	for _, c := range r {
		if unicode.IsControl(c) {
			return "", invalid(field, field+" has a control character: type a name of 1 to 60 characters.")
		}
	}
	return string(r), nil
}
