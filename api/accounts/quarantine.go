package accounts

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"gatewright/api/problem"
	"gatewright/sync/hub"
)

// The decisions about what was refused.
const (
	Accept  = "accept"
	Discard = "discard"
)

// Refused is what was refused and is kept for a manager. It is open until it is decided; an acceptance is claimed
// first, and decided once what it wrote is durable, so that a server killed between the two is seen to have been.
type Refused struct {
	ID       string
	Document string // "" when entries came without a change
	Device   string
	Label    string // of the device
	Person   string // "" when unknown
	Code     string
	Reason   string
	Entries  []string // as they came
	At       int64    // ms since 1970

	Decision string // "", Accept or Discard
	By       string // the manager
	Why      string
	Claimed  int64 // when Accept was chosen, ms since 1970
	Decided  int64 // ms since 1970; 0 = open
}

const refusedColumns = `q.id, q.doc, q.device, COALESCE(d.label, ''), q.person, q.code, q.reason, q.entries, q.at,
	COALESCE(q.resolution, ''), COALESCE(q.resolved_by, ''), COALESCE(q.why, ''), COALESCE(q.claimed_at, 0), COALESCE(q.resolved_at, 0)
	FROM quarantine q LEFT JOIN devices d ON d.id = q.device AND d.site_id = q.site_id`

func scanRefused(scan func(...any) error) (Refused, error) {
	var r Refused
	var entries string
	if err := scan(&r.ID, &r.Document, &r.Device, &r.Label, &r.Person, &r.Code, &r.Reason, &entries, &r.At,
		&r.Decision, &r.By, &r.Why, &r.Claimed, &r.Decided); err != nil {
		return r, err
	}
	return r, json.Unmarshal([]byte(entries), &r.Entries)
}

func (a *Accounts) refused(ctx context.Context, query string, args ...any) ([]Refused, error) {
	out, err := list(ctx, a, scanRefused, `SELECT `+refusedColumns+query, args...)
	if err != nil {
		return nil, fmt.Errorf("listing the quarantine: %w", err)
	}
	return out, nil
}

// Quarantine lists what waits for a decision at a site, oldest first; more says that there is more. What one device
// brought several times is one.
func (a *Accounts) Quarantine(ctx context.Context, site string, most int) (items []Refused, more bool, err error) {
	items, err = a.refused(ctx, ` WHERE q.site_id = $1 AND q.resolved_at IS NULL ORDER BY q.at, q.id LIMIT $2`, site, most+1)
	if err != nil {
		return nil, false, err
	}
	items, more = atMost(items, most)
	seen := map[string]bool{}
	out := items[:0]
	for _, r := range items {
		if key := r.Device + "\n" + strings.Join(r.Entries, "\n"); len(r.Entries) == 0 || !seen[key] {
			seen[key] = true
			out = append(out, r)
		}
	}
	return out, more, nil
}

func atMost(items []Refused, most int) ([]Refused, bool) {
	if len(items) > most {
		return items[:most], true
	}
	return items, false
}

// Decided lists what was decided at a site, the latest first; more says that there is more.
func (a *Accounts) Decided(ctx context.Context, site string, most int) (items []Refused, more bool, err error) {
	items, err = a.refused(ctx, ` WHERE q.site_id = $1 AND q.resolved_at IS NOT NULL ORDER BY q.resolved_at DESC, q.id LIMIT $2`, site, most+1)
	items, more = atMost(items, most)
	return items, more, err
}

// DecidedFor lists what was decided about what a device brought, the latest first.
func (a *Accounts) DecidedFor(ctx context.Context, site, device string, most int) ([]Refused, error) {
	return a.refused(ctx, ` WHERE q.site_id = $1 AND q.device = $2 AND q.resolved_at IS NOT NULL ORDER BY q.resolved_at DESC, q.id LIMIT $3`,
		site, device, most)
}

// RefusedItem finds one item, decided or not.
func (a *Accounts) RefusedItem(ctx context.Context, site, id string) (Refused, error) {
	var r Refused
	err := a.db.Snapshot(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		r, err = refusedItem(tx.QueryRowContext(ctx, oneRefused, site, id))
		return err
	})
	return r, err
}

const oneRefused = `SELECT ` + refusedColumns + ` WHERE q.site_id = $1 AND q.id = $2`

func refusedItem(row *sql.Row) (Refused, error) {
	r, err := scanRefused(row.Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return r, problem.New(problem.NotFound, "id", "There is nothing with this id in quarantine.")
	}
	if err != nil {
		return r, fmt.Errorf("reading the quarantine: %w", err)
	}
	return r, nil
}

// alike is what one device brought with the same entries, $1 being the site and $2 the id of one of them.
const alike = ` WHERE site_id = $1 AND resolved_at IS NULL AND (id = $2 OR entries <> '[]' AND EXISTS (SELECT 1 FROM quarantine o
	WHERE o.site_id = $1 AND o.id = $2 AND o.device = quarantine.device AND o.entries = quarantine.entries))`

// Claim says that an item is being accepted, and what the same device brought with the same entries with it. The
// first to claim stands: whoever claims after goes on with the same item, at the same instant. An item that was
// accepted already is given as it is.
func (a *Accounts) Claim(ctx context.Context, site, id, by string) (Refused, error) {
	now := a.millis()
	var item Refused
	err := a.db.Write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE quarantine SET claimed_at = $3, resolution = $4, resolved_by = $5`+alike+
			` AND claimed_at IS NULL`, site, id, now, Accept, by)
		if err != nil {
			return err
		}
		if item, err = refusedItem(tx.QueryRowContext(ctx, oneRefused, site, id)); err != nil {
			return err
		}
		if item.Decision != Accept {
			return problem.New(problem.Conflict, "decision", "This was discarded already.")
		}
		return nil
	})
	return item, err
}

// Unclaim opens an item again that cannot be accepted.
func (a *Accounts) Unclaim(ctx context.Context, site, id string) error {
	return a.db.Write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE quarantine SET claimed_at = NULL, resolution = NULL, resolved_by = NULL`+alike, site, id)
		return err
	})
}

// Accepted closes a claimed item whose entries are in the log, and gives it as it was decided.
func (a *Accounts) Accepted(ctx context.Context, site, id, why string) (Refused, error) {
	return a.decide(ctx, site, id, Accept, "", why)
}

// Discard closes an item with a reason, and gives it as it was decided.
func (a *Accounts) Discard(ctx context.Context, site, id, by, why string) (Refused, error) {
	return a.decide(ctx, site, id, Discard, by, why)
}

// decide closes an item and what the same device brought with the same entries. An item that is closed with the
// same decision stays as it is; one closed with the other is a conflict.
func (a *Accounts) decide(ctx context.Context, site, id, decision, by, why string) (Refused, error) {
	why = hub.Text(why)
	now := a.millis()
	var item Refused
	err := a.db.Write(ctx, func(tx *sql.Tx) error {
		before, err := refusedItem(tx.QueryRowContext(ctx, oneRefused, site, id))
		switch {
		case err != nil:
			return err
		case before.Decision != "" && before.Decision != decision && before.Decided != 0:
			return problem.New(problem.Conflict, "decision", "This was decided the other way already.")
		case before.Decision != "" && before.Decision != decision:
			return problem.New(problem.Conflict, "decision", "This is being accepted and cannot be discarded any more.")
		case before.Decided != 0:
			item = before
			return nil
		case decision == Accept && before.Decision == "":
			return problem.New(problem.Conflict, "decision", "This was opened again meanwhile.")
		case decision == Accept:
			by = before.By
		}
		if _, err := tx.ExecContext(ctx, `UPDATE quarantine SET resolved_at = $3, resolution = $4, resolved_by = $5, why = $6`+alike+
			` AND (claimed_at IS NULL OR $4 = '`+Accept+`')`, site, id, now, decision, by, why); err != nil {
			return err
		}
		item, err = refusedItem(tx.QueryRowContext(ctx, oneRefused, site, id))
		return err
	})
	return item, err
}

// What is kept of what one revoked device hands over.
const (
	DrainedItems = 5_000
	DrainedBytes = 16 << 20
)

// KeepDrained puts what a revoked device still held into quarantine; the same entry from the same device is kept
// once, so that the phone may try again. All are kept or none. It gives how many were handed over.
func (a *Accounts) KeepDrained(ctx context.Context, site, device string, entries []string) (int, error) {
	now := a.millis()
	err := a.db.Write(ctx, func(tx *sql.Tx) error {
		for _, text := range entries {
			sum := sha256.Sum256([]byte(device + "\n" + text))
			list, err := json.Marshal([]string{text})
			if err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, `INSERT INTO quarantine(id, site_id, doc, hash, device, person, code, reason, bytes, entries, at)
				VALUES($1, $2, '', $3, $4, '', 'revoked', 'The device was revoked before this reached the server.', $5, $6, $7) ON CONFLICT DO NOTHING`,
				hex.EncodeToString(sum[:16]), site, make([]byte, sha256.Size), device, []byte{}, string(list), now); err != nil {
				return err
			}
		}
		var items, size int64
		if err := tx.QueryRowContext(ctx, `SELECT COUNT(*), COALESCE(SUM(LENGTH(entries)), 0) FROM quarantine
			WHERE site_id = $1 AND device = $2 AND doc = ''`, site, device).Scan(&items, &size); err != nil {
			return err
		}
		if items > DrainedItems || size > DrainedBytes {
			return problem.New(problem.TooLarge, "entries", "entries cannot be kept any more: this device has handed over as much as is kept of one.")
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("keeping what a revoked device held: %w", err)
	}
	return len(entries), nil
}

// QuarantineWaiting counts what waits for a manager's decision.
func (a *Accounts) QuarantineWaiting(ctx context.Context, site string) (int, error) {
	var n int
	if err := a.row(ctx, `SELECT COUNT(*) FROM quarantine WHERE site_id = $1 AND resolved_at IS NULL`, hub.Text(site), &n); err != nil {
		return 0, fmt.Errorf("counting what was refused: %w", err)
	}
	return n, nil
}
