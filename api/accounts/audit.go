package accounts

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"gatewright/sync/hub"
)

// AuditLife is how long what happened can be looked up.
const AuditLife = 400 * 24 * time.Hour

// Event is one thing that happened which somebody may want to look up: who did what, from where, and how it came
// out. It holds ids and words of ours, never a secret and never a name.
type Event struct {
	At      int64  `json:"at"`
	Site    string `json:"site,omitempty"`   // empty = the whole server
	Who     string `json:"who,omitempty"`    // a person's id, or console
	Device  string `json:"device,omitempty"` // the device that asked
	Address string `json:"address,omitempty"`
	What    string `json:"what"`
	Target  string `json:"target,omitempty"` // whom or what it was done to
	Outcome string `json:"outcome"`          // Done, or the kind of the problem
}

// Done is the outcome of what was done.
const Done = "ok"

// auditEvery is how often at most the same outcome but Done is noted of one device: whoever tries on and on fills no
// record.
const auditEvery = time.Minute

// Note keeps an event, unless it is of what was refused to the same device within the last minute already; those that
// are too old go.
func (a *Accounts) Note(ctx context.Context, e Event) error {
	id, err := a.code(20)
	if err != nil {
		return fmt.Errorf("noting what happened: %w", err)
	}
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM audit WHERE at < $1`, a.millis()-AuditLife.Milliseconds()); err != nil {
			return err
		}
		if e.Outcome != Done {
			var n int
			if err := tx.QueryRowContext(ctx, `SELECT COUNT(*) FROM audit WHERE site_id = $1 AND at > $2 AND device = $3 AND what = $4 AND outcome = $5`,
				hub.Text(e.Site), a.millis()-auditEvery.Milliseconds(), hub.Text(e.Device), e.What, e.Outcome).Scan(&n); err != nil || n > 0 {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO audit(id, site_id, at, who, device, address, what, target, outcome) VALUES($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			id, hub.Text(e.Site), a.millis(), hub.Text(e.Who), hub.Text(e.Device), e.Address, e.What, hub.Text(e.Target), e.Outcome)
		return err
	})
	if err != nil {
		return fmt.Errorf("noting what happened: %w", err)
	}
	return nil
}

// Audit gives what happened at a site before an instant (ms; 0 = now), the latest first, at most so many.
func (a *Accounts) Audit(ctx context.Context, site string, before int64, most int) ([]Event, error) {
	if before == 0 {
		before = a.millis() + 1
	}
	out, err := list(ctx, a, func(scan func(...any) error) (e Event, err error) {
		err = scan(&e.At, &e.Site, &e.Who, &e.Device, &e.Address, &e.What, &e.Target, &e.Outcome)
		return e, err
	}, `SELECT at, site_id, who, device, address, what, target, outcome FROM audit WHERE site_id = $1 AND at < $2 ORDER BY at DESC, id LIMIT $3`,
		hub.Text(site), before, most)
	if err != nil {
		return nil, fmt.Errorf("reading what happened: %w", err)
	}
	return out, nil
}
