package accounts

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"gatewright/api/problem"
	"gatewright/sync/hub"
)

// Ways says by what a person can sign in as a manager.
type Ways struct {
	Passkeys   int  `json:"passkeys"`
	Passphrase bool `json:"passphrase"`
	Recovery   int  `json:"recovery"` // codes that are left
}

// None says that the person has never set a way in.
func (w Ways) None() bool { return w.Passkeys == 0 && !w.Passphrase }

// WaysIn says by what a person can sign in.
func (a *Accounts) WaysIn(ctx context.Context, person string) (Ways, error) {
	var w Ways
	err := a.db.Snapshot(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		w, err = ways(ctx, tx, hub.Text(person))
		return err
	})
	if err != nil {
		return Ways{}, fmt.Errorf("looking up the ways in: %w", err)
	}
	return w, nil
}

func ways(ctx context.Context, tx *sql.Tx, person string) (Ways, error) {
	var w Ways
	var phrases int
	err := tx.QueryRowContext(ctx, `SELECT (SELECT COUNT(*) FROM passkeys WHERE person_id = $1),
		(SELECT COUNT(*) FROM passphrases WHERE person_id = $1),
		(SELECT COUNT(*) FROM recovery_codes WHERE person_id = $1 AND used_at IS NULL)`, person).Scan(&w.Passkeys, &phrases, &w.Recovery)
	w.Passphrase = phrases > 0
	return w, err
}

// Trust is how sure the server is of who asks to change somebody's ways in: of the device alone, or of the person,
// who has signed in.
type Trust bool

// The two.
const (
	DeviceAlone Trust = false
	SignedIn    Trust = true
)

// mayAdd refuses to add a way in on a device's word alone, except the first: the invitation that put the person on
// the device stands for that one.
func mayAdd(ctx context.Context, tx *sql.Tx, person string, trust Trust) (first bool, err error) {
	w, err := ways(ctx, tx, person)
	if err != nil {
		return false, err
	}
	if !w.None() && trust != SignedIn {
		return false, problem.New(problem.Forbidden, "person", "This person has a way in already: sign in with it before you add another.")
	}
	return w.None(), nil
}

// dropWays takes all ways in of a person away, and what is under way to one.
func dropWays(ctx context.Context, tx *sql.Tx, person string) error {
	for _, table := range []string{"passkeys", "passphrases", "recovery_codes", "ceremonies", "sign_in_failures"} {
		if _, err := tx.ExecContext(ctx, `DELETE FROM `+table+` WHERE person_id = $1`, person); err != nil {
			return err
		}
	}
	return nil
}

// recoveryCodes is how many codes somebody gets; each is 16 Crockford characters, 80 bits.
const (
	recoveryCodes  = 10
	recoveryLength = 16
)

// newRecovery draws fresh codes in place of those a person had.
func (a *Accounts) newRecovery(ctx context.Context, tx *sql.Tx, person string) ([]string, error) {
	if _, err := tx.ExecContext(ctx, `DELETE FROM recovery_codes WHERE person_id = $1`, person); err != nil {
		return nil, err
	}
	codes := make([]string, recoveryCodes)
	for i := range codes {
		code, err := a.code(recoveryLength)
		if err != nil {
			return nil, err
		}
		codes[i] = code
		if _, err := tx.ExecContext(ctx, `INSERT INTO recovery_codes(hash, person_id, created_at) VALUES($1, $2, $3)`, hash(code), person, a.millis()); err != nil {
			return nil, err
		}
	}
	return codes, nil
}

// NewRecoveryCodes draws fresh recovery codes for somebody who has signed in; those before are void.
func (a *Accounts) NewRecoveryCodes(ctx context.Context, person string) ([]string, error) {
	var codes []string
	err := a.db.Write(ctx, func(tx *sql.Tx) (err error) {
		codes, err = a.newRecovery(ctx, tx, person)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("drawing recovery codes: %w", err)
	}
	return codes, nil
}

// errNotIn is what every failed way in says: not which part of it was wrong.
func errNotIn() error {
	return problem.New(problem.Unauthenticated, "person", "This does not open it: check what you entered, or take another way in.")
}

// UseRecovery spends a recovery code of a person.
func (a *Accounts) UseRecovery(ctx context.Context, person, code string) error {
	code, err := cleanOf(code, recoveryLength)
	if err != nil {
		return errNotIn()
	}
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `UPDATE recovery_codes SET used_at = $1 WHERE hash = $2 AND person_id = $3 AND used_at IS NULL`,
			a.millis(), hash(code), hub.Text(person))
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, errNotIn())
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("using a recovery code: %w", err)
	}
	return nil
}

// Failures to sign in are counted for a person on a device: whoever guesses on one phone slows down that phone and
// nobody else. The first few are free; then each must wait twice as long as the one before.
const (
	freeFailures  = 4
	longestWait   = 15 * time.Minute
	failuresFade  = 24 * time.Hour
	firstWait     = 2 * time.Second
	mostFailures  = 40 // what is counted
	waitsDoubling = 10
)

// SignInWait is how long a person has to wait on a device before another try counts; 0 = none.
func (a *Accounts) SignInWait(ctx context.Context, device, person string) (time.Duration, error) {
	var failures, last int64
	err := a.db.Snapshot(ctx, func(ctx context.Context, tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, `SELECT failures, last_at FROM sign_in_failures WHERE device_id = $1 AND person_id = $2`,
			hub.Text(device), hub.Text(person)).Scan(&failures, &last)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("reading earlier failures: %w", err)
	}
	since := time.Duration(a.millis()-last) * time.Millisecond
	if failures < freeFailures || since >= failuresFade {
		return 0, nil
	}
	wait := min(firstWait<<min(failures-freeFailures, waitsDoubling), longestWait)
	return max(0, wait-since), nil
}

// SignInFailed counts a failure.
func (a *Accounts) SignInFailed(ctx context.Context, device, person string) error {
	return a.db.Write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO sign_in_failures(device_id, person_id, failures, last_at) VALUES($1, $2, 1, $3)
			ON CONFLICT (device_id, person_id) DO UPDATE SET last_at = $3,
			failures = CASE WHEN sign_in_failures.last_at < $4 THEN 1 WHEN sign_in_failures.failures >= $5 THEN $5 ELSE sign_in_failures.failures + 1 END`,
			device, person, a.millis(), a.millis()-failuresFade.Milliseconds(), mostFailures)
		return err
	})
}

// SignInDone forgets the failures.
func (a *Accounts) SignInDone(ctx context.Context, device, person string) error {
	return a.db.Write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM sign_in_failures WHERE device_id = $1 AND person_id = $2`, device, person)
		return err
	})
}
