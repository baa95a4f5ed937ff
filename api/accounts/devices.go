package accounts

import (
	"context"
	"crypto/ed25519"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"gatewright/api/problem"
	"gatewright/sync/hub"
)

// Device is one enrolled browser or script.
type Device struct {
	ID       string `json:"id"`
	Label    string `json:"label"`
	Created  int64  `json:"created"`
	LastSeen int64  `json:"last_seen,omitempty"`
	Revoked  int64  `json:"revoked,omitempty"`
	Relay    bool   `json:"relay,omitempty"`
	// People are the ids of those enrolled on it, the first to join first; only lists of devices say it.
	People []string `json:"people,omitempty"`

	Site      string            `json:"-"`
	PublicKey ed25519.PublicKey `json:"-"`
	Offset    int64             `json:"-"` // the clock offset last written to the log, ms
}

func (a *Accounts) addDevice(ctx context.Context, tx *sql.Tx, site string, d NewDevice) (string, error) {
	if n := len(d.PublicKey); n != 0 && n != ed25519.PublicKeySize {
		return "", invalid("device.public_key", "device.public_key must be the 32 bytes of an Ed25519 key in base64url.")
	}
	label := d.Label
	if label == "" {
		label = "phone"
	}
	label, err := cleanName("device.label", label)
	if err != nil {
		return "", err
	}
	id, err := a.newID('d')
	if err != nil {
		return "", err
	}
	key := d.PublicKey
	if key == nil {
		key = []byte{}
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO devices(id, site_id, public_key, label, created_at, relay) VALUES($1, $2, $3, $4, $5, 0)`,
		id, site, key, label, a.millis())
	return id, err
}

func (a *Accounts) linkPerson(ctx context.Context, tx *sql.Tx, device, person string) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO device_people(device_id, person_id, added_at) VALUES($1, $2, $3) ON CONFLICT DO NOTHING`,
		device, person, a.millis())
	return err
}

func (a *Accounts) deviceAt(ctx context.Context, tx *sql.Tx, site, device string) error {
	var at string
	var revoked sql.NullInt64
	err := tx.QueryRowContext(ctx, `SELECT site_id, revoked_at FROM devices WHERE id = $1`, device).Scan(&at, &revoked)
	if errors.Is(err, sql.ErrNoRows) || (err == nil && at != site) {
		return problem.New(problem.Conflict, "code", "This phone belongs to another site: open the invitation in a browser of its own.")
	}
	if err == nil && revoked.Valid {
		return problem.New(problem.Forbidden, "device", "This phone was revoked.")
	}
	return err
}

// AddScriptDevice enrols a device without a key for a person, for stock clients and scripts that get their
// tickets from the console.
func (a *Accounts) AddScriptDevice(ctx context.Context, site, person, label string) (string, error) {
	var id string
	err := a.db.Write(ctx, func(tx *sql.Tx) (err error) {
		if id, err = a.addDevice(ctx, tx, site, NewDevice{Label: label}); err != nil {
			return err
		}
		return a.linkPerson(ctx, tx, id, person)
	})
	if err != nil {
		return "", fmt.Errorf("enrolling a script: %w", err)
	}
	return id, nil
}

// LinkPerson enrols a known person on a device.
func (a *Accounts) LinkPerson(ctx context.Context, device, person string) error {
	return a.db.Write(ctx, func(tx *sql.Tx) error { return a.linkPerson(ctx, tx, device, person) })
}

const deviceColumns = `id, site_id, public_key, label, created_at, COALESCE(last_seen_at, 0), COALESCE(clock_offset, 0), COALESCE(revoked_at, 0), relay`

func scanDevice(scan func(...any) error) (Device, error) {
	var d Device
	var key []byte
	var relay int
	err := scan(&d.ID, &d.Site, &key, &d.Label, &d.Created, &d.LastSeen, &d.Offset, &d.Revoked, &relay)
	d.PublicKey, d.Relay = key, relay != 0
	return d, err
}

// Device finds a device by id, revoked ones included.
func (a *Accounts) Device(ctx context.Context, id string) (Device, error) {
	var d Device
	err := a.db.Snapshot(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		d, err = scanDevice(tx.QueryRowContext(ctx, `SELECT `+deviceColumns+` FROM devices WHERE id = $1`, hub.Text(id)).Scan)
		return err
	})
	if errors.Is(err, sql.ErrNoRows) {
		return d, problem.New(problem.NotFound, "device", "This device is not known here.")
	}
	if err != nil {
		return d, fmt.Errorf("reading device: %w", err)
	}
	return d, nil
}

// Devices lists a site's devices, newest first.
func (a *Accounts) Devices(ctx context.Context, site string) ([]Device, error) {
	out, err := list(ctx, a, scanDevice, `SELECT `+deviceColumns+` FROM devices WHERE site_id = $1 ORDER BY created_at DESC, id`, site)
	if err != nil {
		return nil, fmt.Errorf("listing devices: %w", err)
	}
	type link struct{ device, person string }
	scanLink := func(scan func(...any) error) (l link, err error) {
		err = scan(&l.device, &l.person)
		return l, err
	}
	links, err := list(ctx, a, scanLink, `SELECT dp.device_id, dp.person_id FROM device_people dp JOIN devices d ON d.id = dp.device_id
		WHERE d.site_id = $1 ORDER BY dp.added_at, dp.person_id`, site)
	if err != nil {
		return nil, fmt.Errorf("listing the people on devices: %w", err)
	}
	for _, l := range links {
		if i := slices.IndexFunc(out, func(d Device) bool { return d.ID == l.device }); i >= 0 {
			out[i].People = append(out[i].People, l.person)
		}
	}
	return out, nil
}

// Revoke ends a device's right to write; what it still holds can be drained into quarantine.
func (a *Accounts) Revoke(ctx context.Context, site, device string) error {
	err := a.db.Write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `UPDATE devices SET revoked_at = $1 WHERE id = $2 AND site_id = $3 AND revoked_at IS NULL`,
			a.millis(), device, site)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err == nil && n == 0 {
			return problem.New(problem.NotFound, "device", "There is no such device at this site that could be revoked.")
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("revoking: %w", err)
	}
	return nil
}

// SetRelay gives or takes the right to pass on other authors' changes (a box on the farm's network).
func (a *Accounts) SetRelay(ctx context.Context, site, device string, relay bool) error {
	return a.db.Write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE devices SET relay = $1 WHERE id = $2 AND site_id = $3`, bit(relay), device, site)
		return err
	})
}

// Seen notes that a device came by, and the clock offset (ms, server minus device) last written to the log.
func (a *Accounts) Seen(ctx context.Context, device string, offset int64) error {
	return a.db.Each(ctx, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE devices SET last_seen_at = $1, clock_offset = $2 WHERE id = $3`, a.millis(), offset, device)
		return err
	})
}
