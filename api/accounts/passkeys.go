package accounts

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/go-webauthn/webauthn/webauthn"

	"gatewright/api/problem"
	"gatewright/sync/hub"
)

// CeremonyLife is how long somebody has to touch their passkey.
const CeremonyLife = 5 * time.Minute

// Ceremony is a passkey being registered or asked for, between its two requests.
type Ceremony struct {
	Person, Device string
	Kind           string // register or login
	Session        webauthn.SessionData
}

// BeginCeremony keeps a ceremony and gives the secret that its second request brings.
func (a *Accounts) BeginCeremony(ctx context.Context, c Ceremony) (string, error) {
	secret, err := a.secret()
	if err != nil {
		return "", fmt.Errorf("drawing a ceremony: %w", err)
	}
	data, err := json.Marshal(c.Session)
	if err != nil {
		return "", fmt.Errorf("keeping a ceremony: %w", err)
	}
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM ceremonies WHERE expires_at < $1`, a.millis()); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO ceremonies(hash, person_id, device_id, kind, data, expires_at) VALUES($1, $2, $3, $4, $5, $6)`,
			hash(secret), c.Person, c.Device, c.Kind, string(data), a.millis()+CeremonyLife.Milliseconds())
		return err
	})
	if err != nil {
		return "", fmt.Errorf("keeping a ceremony: %w", err)
	}
	return secret, nil
}

// EndCeremony takes a ceremony away: it succeeds once, in time, for the device and kind it began with.
func (a *Accounts) EndCeremony(ctx context.Context, secret, device, kind string) (Ceremony, error) {
	c := Ceremony{Device: device, Kind: kind}
	var data string
	err := a.db.Write(ctx, func(tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, `DELETE FROM ceremonies WHERE hash = $1 AND device_id = $2 AND kind = $3 AND expires_at > $4
			RETURNING person_id, data`, hash(secret), hub.Text(device), kind, a.millis()).Scan(&c.Person, &data)
		if errors.Is(err, sql.ErrNoRows) {
			return problem.New(problem.Unauthenticated, "ceremony", "This took too long or was used before: begin again.")
		}
		return err
	})
	if err != nil {
		return Ceremony{}, fmt.Errorf("ending a ceremony: %w", err)
	}
	if err := json.Unmarshal([]byte(data), &c.Session); err != nil {
		return Ceremony{}, fmt.Errorf("reading a ceremony: %w", err)
	}
	return c, nil
}

// Passkeys gives a person's passkeys.
func (a *Accounts) Passkeys(ctx context.Context, person string) ([]webauthn.Credential, error) {
	out, err := list(ctx, a, func(scan func(...any) error) (c webauthn.Credential, err error) {
		var text string
		if err := scan(&text); err != nil {
			return c, err
		}
		return c, json.Unmarshal([]byte(text), &c)
	}, `SELECT credential FROM passkeys WHERE person_id = $1 ORDER BY created_at`, hub.Text(person))
	if err != nil {
		return nil, fmt.Errorf("reading passkeys: %w", err)
	}
	return out, nil
}

// mostPasskeys bounds a person's passkeys.
const mostPasskeys = 20

// AddPasskey keeps a new passkey. Who sets a first way in gets recovery codes, this once.
func (a *Accounts) AddPasskey(ctx context.Context, person, label string, c webauthn.Credential, trust Trust) (codes []string, err error) {
	if label == "" {
		label = "passkey"
	}
	if label, err = cleanName("label", label); err != nil {
		return nil, err
	}
	text, err := json.Marshal(c)
	if err != nil {
		return nil, fmt.Errorf("keeping a passkey: %w", err)
	}
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		first, err := mayAdd(ctx, tx, person, trust)
		if err != nil {
			return err
		}
		var n int
		if err := tx.QueryRowContext(ctx, `SELECT COUNT(*) FROM passkeys WHERE person_id = $1`, person).Scan(&n); err != nil {
			return err
		}
		if n >= mostPasskeys {
			return problem.New(problem.Conflict, "person", "This person has 20 passkeys already: remove one first.")
		}
		res, err := tx.ExecContext(ctx, `INSERT INTO passkeys(id, person_id, credential, label, created_at) VALUES($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING`,
			c.ID, person, string(text), label, a.millis())
		if err != nil {
			return err
		}
		if made, err := res.RowsAffected(); err != nil || made == 0 { // an id that is kept already, whosever it is: Web Authentication Level 3, 7.1
			return errors.Join(err, problem.New(problem.Conflict, "credential", "This passkey cannot be added: take another."))
		}
		codes = nil
		if first {
			codes, err = a.newRecovery(ctx, tx, person)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("keeping a passkey: %w", err)
	}
	return codes, nil
}

// UsedPasskey notes a passkey's new sign count.
func (a *Accounts) UsedPasskey(ctx context.Context, person string, c webauthn.Credential) error {
	text, err := json.Marshal(c)
	if err != nil {
		return fmt.Errorf("noting a passkey: %w", err)
	}
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE passkeys SET credential = $1, used_at = $2 WHERE id = $3 AND person_id = $4`, string(text), a.millis(), c.ID, person)
		return err
	})
	if err != nil {
		return fmt.Errorf("noting a passkey: %w", err)
	}
	return nil
}
