package accounts

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"

	"gatewright/api/problem"
	"gatewright/sync/hub"
)

// Refused is what was refused and is kept for a manager.
type Refused struct {
	ID       string   `json:"id"`
	Document string   `json:"document,omitempty"`
	Device   string   `json:"device"`
	Person   string   `json:"person,omitempty"`
	Code     string   `json:"code"`
	Reason   string   `json:"reason"`
	Entries  []string `json:"entries"`
	At       int64    `json:"at"`
}

const refusedColumns = `id, COALESCE(doc, ''), device, COALESCE(person, ''), code, reason, COALESCE(entries, '[]'), at`

func scanRefused(scan func(...any) error) (Refused, error) {
	var r Refused
	var entries string
	if err := scan(&r.ID, &r.Document, &r.Device, &r.Person, &r.Code, &r.Reason, &entries, &r.At); err != nil {
		return r, err
	}
	return r, json.Unmarshal([]byte(entries), &r.Entries)
}

// Quarantine lists what waits for a decision at a site, oldest first.
func (a *Accounts) Quarantine(ctx context.Context, site string) ([]Refused, error) {
	rows, err := a.db.Reader().QueryContext(ctx, `SELECT `+refusedColumns+` FROM quarantine
		WHERE site_id = $1 AND resolved_at IS NULL ORDER BY at, id`, site)
	if err != nil {
		return nil, fmt.Errorf("listing the quarantine: %w", err)
	}
	defer rows.Close()
	out := []Refused{}
	for rows.Next() {
		r, err := scanRefused(rows.Scan)
		if err != nil {
			return nil, fmt.Errorf("listing the quarantine: %w", err)
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// RefusedItem finds one item that waits for a decision.
func (a *Accounts) RefusedItem(ctx context.Context, site, id string) (Refused, error) {
	r, err := scanRefused(a.db.Reader().QueryRowContext(ctx, `SELECT `+refusedColumns+` FROM quarantine
		WHERE site_id = $1 AND id = $2 AND resolved_at IS NULL`, site, id).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return r, problem.New(problem.NotFound, "id", "Nothing with this id waits for a decision.")
	}
	if err != nil {
		return r, fmt.Errorf("reading the quarantine: %w", err)
	}
	return r, nil
}

// Decide closes an item of the quarantine.
func (a *Accounts) Decide(ctx context.Context, site, id, decision, by string) error {
	return a.db.Write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE quarantine SET resolved_at = $1, resolution = $2, resolved_by = $3
			WHERE site_id = $4 AND id = $5 AND resolved_at IS NULL`, a.millis(), decision, by, site, id)
		return err
	})
}

// KeepDrained puts what a revoked device still held into quarantine; the same entry from the same device is kept
// once, so that the phone may try again. It gives how many were handed over.
func (a *Accounts) KeepDrained(ctx context.Context, store hub.Store, site, device string, entries []string) (int, error) {
	items := make([]hub.Quarantined, 0, len(entries))
	for _, text := range entries {
		sum := sha256.Sum256([]byte(device + "\n" + text))
		items = append(items, hub.Quarantined{ID: hex.EncodeToString(sum[:16]), Device: device, Code: "revoked",
			Reason: "The device was revoked before this reached the server.", Entries: []string{text}, At: a.millis()})
	}
	if err := store.Quarantine(ctx, site, items); err != nil {
		return 0, fmt.Errorf("keeping what a revoked device held: %w", err)
	}
	return len(items), nil
}
