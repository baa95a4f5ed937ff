package accounts

import (
	"context"
	"crypto/ed25519"
	"database/sql"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"time"

	"gatewright/api/problem"
	"gatewright/sync/hub"
)

// ChallengeLife is how long a device has to sign a challenge.
const ChallengeLife = time.Minute

// TicketLife is how long a phone's single-use ticket waits for its socket.
const TicketLife = 30 * time.Second

func (a *Accounts) secret() (string, error) {
	b := make([]byte, 32)
	if _, err := io.ReadFull(a.random, b); err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(b), nil
}

// Challenge makes a fresh challenge for a device to sign. A device that there is not gets one as well, which nothing can
// be got with: whoever asks learns nothing of which devices there are.
func (a *Accounts) Challenge(ctx context.Context, device string) (challenge string, expires int64, err error) {
	if challenge, err = a.secret(); err != nil {
		return "", 0, fmt.Errorf("drawing a challenge: %w", err)
	}
	expires = a.millis() + ChallengeLife.Milliseconds()
	err = a.db.Each(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM challenges WHERE expires_at < $1`, a.millis()); err != nil {
			return err
		}
		var there int
		if err := tx.QueryRowContext(ctx, `SELECT COUNT(*) FROM devices WHERE id = $1`, hub.Text(device)).Scan(&there); err != nil || there == 0 {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO challenges(nonce_hash, device_id, expires_at) VALUES($1, $2, $3)`, hash(challenge), device, expires)
		return err
	})
	if err != nil {
		return "", 0, fmt.Errorf("keeping the challenge: %w", err)
	}
	return challenge, expires, nil
}

// SpendChallenge takes a challenge away; it succeeds once, for its own device, in time.
func (a *Accounts) SpendChallenge(ctx context.Context, device, challenge string) error {
	refused := problem.New(problem.Unauthenticated, "challenge", "The challenge is spent, out of time or not this device's: ask for a new one.")
	err := a.db.Each(ctx, func(ctx context.Context, tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `DELETE FROM challenges WHERE nonce_hash = $1 AND device_id = $2 AND expires_at > $3`,
			hash(challenge), hub.Text(device), a.millis())
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err == nil && n == 0 {
			return refused
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("spending a challenge: %w", err)
	}
	return nil
}

// Ticket opens one socket.
type Ticket struct {
	Site     string
	Device   string
	Reusable bool   // a script's: usable until it expires, by its first sender only
	Sender   string // the senderId it is bound to, once bound
	Expires  int64
}

// NewTicket makes a ticket and gives its secret.
func (a *Accounts) NewTicket(ctx context.Context, t Ticket) (string, error) {
	secret, err := a.secret()
	if err != nil {
		return "", fmt.Errorf("drawing a ticket: %w", err)
	}
	err = a.db.Each(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM tickets WHERE expires_at < $1`, a.millis()); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO tickets(hash, site_id, device_id, expires_at, reusable) VALUES($1, $2, $3, $4, $5)`,
			hash(secret), t.Site, t.Device, t.Expires, bit(t.Reusable))
		return err
	})
	if err != nil {
		return "", fmt.Errorf("keeping the ticket: %w", err)
	}
	return secret, nil
}

// UseTicket spends a ticket; a reusable one stays.
func (a *Accounts) UseTicket(ctx context.Context, secret string) (Ticket, error) {
	var t Ticket
	refused := problem.New(problem.Unauthenticated, "ticket", "The ticket is spent, out of time or unknown: ask for a new one.")
	err := a.db.Each(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var reusable int
		var sender sql.NullString
		// One statement, so that of two who use it at once one finds it used.
		err := tx.QueryRowContext(ctx, `UPDATE tickets SET used_at = $1 WHERE hash = $2 AND expires_at > $1 AND (reusable = 1 OR used_at IS NULL)
			RETURNING site_id, device_id, expires_at, reusable, sender_id`, a.millis(), hash(secret)).
			Scan(&t.Site, &t.Device, &t.Expires, &reusable, &sender)
		if errors.Is(err, sql.ErrNoRows) {
			return refused
		}
		t.Reusable, t.Sender = reusable != 0, sender.String
		return err
	})
	if err != nil {
		return Ticket{}, fmt.Errorf("using a ticket: %w", err)
	}
	return t, nil
}

// BindTicket ties a reusable ticket to its first senderId.
func (a *Accounts) BindTicket(ctx context.Context, secret, sender string) error {
	return a.db.Each(ctx, func(ctx context.Context, tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `UPDATE tickets SET sender_id = $1 WHERE hash = $2 AND (sender_id IS NULL OR sender_id = $1)`,
			sender, hash(secret))
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err == nil && n == 0 {
			return problem.New(problem.Unauthenticated, "senderId", "This ticket is bound to another senderId.")
		}
		return err
	})
}

// ServerKey is one of the server's signing keys.
type ServerKey struct {
	ID      string
	Private ed25519.PrivateKey
	Retired bool
}

// ServerKeys gives the signing keys, newest first, and makes the first one.
func (a *Accounts) ServerKeys(ctx context.Context) ([]ServerKey, error) {
	var keys []ServerKey
	err := a.db.Write(ctx, func(tx *sql.Tx) error {
		keys = nil // it may be run again
		rows, err := tx.QueryContext(ctx, `SELECT kid, seed, retired_at FROM server_keys ORDER BY created_at DESC, kid`)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var k ServerKey
			var seed []byte
			var retired sql.NullInt64
			if err := rows.Scan(&k.ID, &seed, &retired); err != nil {
				return err
			}
			k.Private, k.Retired = ed25519.NewKeyFromSeed(seed), retired.Valid
			keys = append(keys, k)
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil || len(keys) > 0 {
			return err
		}
		return a.firstKey(ctx, tx, &keys)
	})
	if err != nil {
		return nil, fmt.Errorf("reading the server's keys: %w", err)
	}
	return keys, nil
}

// RotateKeys makes a new signing key and retires those before; a retired key verifies until its tokens have run out
// (after `still`), and then is deleted. It gives the new key's id.
func (a *Accounts) RotateKeys(ctx context.Context, still time.Duration) (string, error) {
	var made []ServerKey
	err := a.db.Write(ctx, func(tx *sql.Tx) error {
		made = nil
		if _, err := tx.ExecContext(ctx, `UPDATE server_keys SET retired_at = $1 WHERE retired_at IS NULL`, a.millis()); err != nil {
			return err
		}
		if err := dropOldKeys(ctx, tx, a.millis()-still.Milliseconds()); err != nil {
			return err
		}
		return a.firstKey(ctx, tx, &made)
	})
	if err != nil {
		return "", fmt.Errorf("rotating the server's keys: %w", err)
	}
	return made[0].ID, nil
}

// DropOldKeys deletes keys that were retired longer ago than their tokens live.
func (a *Accounts) DropOldKeys(ctx context.Context, still time.Duration) error {
	err := a.db.Write(ctx, func(tx *sql.Tx) error { return dropOldKeys(ctx, tx, a.millis()-still.Milliseconds()) })
	if err != nil {
		return fmt.Errorf("deleting retired keys: %w", err)
	}
	return nil
}

func dropOldKeys(ctx context.Context, tx *sql.Tx, before int64) error {
	_, err := tx.ExecContext(ctx, `DELETE FROM server_keys WHERE retired_at IS NOT NULL AND retired_at < $1`, before)
	return err
}

func (a *Accounts) firstKey(ctx context.Context, tx *sql.Tx, keys *[]ServerKey) error {
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(a.random, seed); err != nil {
		return err
	}
	kid, err := a.newID('k')
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO server_keys(kid, seed, created_at) VALUES($1, $2, $3)`, kid, seed, a.millis())
	*keys = append(*keys, ServerKey{ID: kid, Private: ed25519.NewKeyFromSeed(seed)})
	return err
}
