package accounts

import (
	"context"
	"crypto/subtle"
	"database/sql"
	_ "embed"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"gatewright/api/problem"
	"gatewright/sync/hub"
)

// What a passphrase costs to try: argon2id with the memory and passes that OWASP's Password Storage Cheat Sheet
// gives as its first choice (19 MiB, 2 passes, 1 lane).
const (
	phraseMemory = 19 * 1024 // KiB
	phrasePasses = 2
	phraseLanes  = 1
	phraseBytes  = 32
	saltBytes    = 16

	// A passphrase has no rules but its length (NIST SP 800-63B section 5.1.1.2), and is none of the commonest.
	shortestPhrase = 12
	longestPhrase  = 200
)

// hashing bounds how much memory hashing takes at once: two at a time.
var hashing = make(chan struct{}, 2)

//go:embed common.txt
var commonText string

var common = func() map[string]bool {
	out := map[string]bool{}
	for line := range strings.Lines(commonText) {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			out[line] = true
		}
	}
	return out
}()

// checkPhrase bounds a passphrase; its characters count as they stand.
func checkPhrase(phrase string) error {
	n := utf8.RuneCountInString(phrase)
	switch {
	case !utf8.ValidString(phrase):
		return invalid("passphrase", "passphrase is not UTF-8.")
	case n < shortestPhrase:
		return invalid("passphrase", "passphrase is too short: take at least 12 characters, such as four words.")
	case n > longestPhrase:
		return invalid("passphrase", "passphrase is too long: at most 200 characters.")
	case common[strings.ToLower(phrase)] || strings.Trim(phrase, string([]rune(phrase)[:1])) == "":
		return invalid("passphrase", "passphrase is one of those that are tried first: take another.")
	}
	return nil
}

// SetPassphrase sets or replaces a person's passphrase. Who sets a first way in gets recovery codes, this once.
func (a *Accounts) SetPassphrase(ctx context.Context, person, phrase string, trust Trust) (codes []string, err error) {
	if err := checkPhrase(phrase); err != nil {
		return nil, err
	}
	salt := make([]byte, saltBytes)
	if _, err := io.ReadFull(a.random, salt); err != nil {
		return nil, fmt.Errorf("drawing a salt: %w", err)
	}
	hashed, err := hashPhrase(ctx, phrase, salt, phraseMemory, phrasePasses, phraseLanes)
	if err != nil {
		return nil, err
	}
	b64 := base64.RawStdEncoding
	text := fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, phraseMemory, phrasePasses, phraseLanes, b64.EncodeToString(salt), b64.EncodeToString(hashed))
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		first, err := mayAdd(ctx, tx, person, trust)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO passphrases(person_id, hash, created_at) VALUES($1, $2, $3)
			ON CONFLICT (person_id) DO UPDATE SET hash = $2, created_at = $3`, person, text, a.millis()); err != nil {
			return err
		}
		codes = nil
		if first {
			codes, err = a.newRecovery(ctx, tx, person)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("setting a passphrase: %w", err)
	}
	return codes, nil
}

// CheckPassphrase says whether this is the person's passphrase. It takes as long for somebody who has none.
func (a *Accounts) CheckPassphrase(ctx context.Context, person, phrase string) error {
	if len(phrase) > 4*longestPhrase {
		return errNotIn()
	}
	var text string
	err := a.row(ctx, `SELECT hash FROM passphrases WHERE person_id = $1`, hub.Text(person), &text)
	if errors.Is(err, sql.ErrNoRows) {
		text = ""
	} else if err != nil {
		return fmt.Errorf("reading a passphrase: %w", err)
	}
	salt, want, memory, passes, lanes := readHash(text)
	got, err := hashPhrase(ctx, phrase, salt, memory, passes, lanes)
	if err != nil {
		return err
	}
	if text == "" || subtle.ConstantTimeCompare(got, want) != 1 {
		return errNotIn()
	}
	return nil
}

// readHash reads what SetPassphrase wrote; of anything else it gives something that costs the same and fits nothing.
func readHash(text string) (salt, want []byte, memory, passes uint32, lanes uint8) {
	none := make([]byte, saltBytes)
	var version int
	parts := strings.Split(text, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return none, nil, phraseMemory, phrasePasses, phraseLanes
	}
	_, e1 := fmt.Sscanf(parts[2], "v=%d", &version)
	_, e2 := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes)
	salt, e3 := base64.RawStdEncoding.DecodeString(parts[4])
	want, e4 := base64.RawStdEncoding.DecodeString(parts[5])
	if errors.Join(e1, e2, e3, e4) != nil || version != argon2.Version || memory == 0 || passes == 0 || lanes == 0 {
		return none, nil, phraseMemory, phrasePasses, phraseLanes
	}
	return salt, want, memory, passes, lanes
}

func hashPhrase(ctx context.Context, phrase string, salt []byte, memory, passes uint32, lanes uint8) ([]byte, error) {
	select {
	case hashing <- struct{}{}:
		defer func() { <-hashing }()
	case <-ctx.Done():
		return nil, &problem.Error{Kind: problem.Unavailable, Sentence: "Too many are signing in at this moment: try again.", Cause: ctx.Err()}
	}
	return argon2.IDKey([]byte(phrase), salt, passes, memory, lanes, phraseBytes), nil
}
