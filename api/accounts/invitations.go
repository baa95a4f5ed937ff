package accounts

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"

	"gatewright/api/problem"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// inviteLength is 100 bits of Crockford's base 32.
const inviteLength = 20

// InviteLife is how long an invitation's link can be used.
const InviteLife = 24 * time.Hour

// Invitation is a one-use way in, bound to a site and a role; Person is set when it enrols a further device of
// somebody who is known already.
type Invitation struct {
	Site    string
	Role    rights.Role
	Person  string
	Name    string
	Expires int64
}

// Invite makes an invitation and gives its code, which is kept nowhere else.
func (a *Accounts) Invite(ctx context.Context, inv Invitation, by string) (code string, err error) {
	if err := checkRole(inv.Role); err != nil {
		return "", err
	}
	if inv.Name != "" {
		if inv.Name, err = cleanName("name", inv.Name); err != nil {
			return "", err
		}
	}
	code, err = a.code(inviteLength)
	if err != nil {
		return "", fmt.Errorf("drawing a code: %w", err)
	}
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		if inv.Person != "" {
			if _, err := a.grantOf(ctx, tx, inv.Site, inv.Person); err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO invitations(code_hash, site_id, role, person_id, name, created_by, created_at, expires_at)
			VALUES($1, $2, $3, $4, $5, $6, $7, $8)`,
			hash(code), inv.Site, string(inv.Role), orNull(inv.Person), orNull(inv.Name), by, a.millis(), inv.Expires)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("keeping the invitation: %w", err)
	}
	return code, nil
}

func orNull(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// cleanCode undoes what hands and eyes do to a code: case, spaces, dashes, O for 0, I and L for 1.
func cleanCode(code string) (string, error) {
	code = strings.NewReplacer(" ", "", "-", "", "O", "0", "I", "1", "L", "1").Replace(strings.ToUpper(code))
	if len(code) != inviteLength || strings.Trim(code, crockford) != "" {
		return "", invalid("code", "code is not a whole invitation code: it has 20 letters and digits.")
	}
	return code, nil
}

// Look says what an invitation is for, without spending it; for somebody who is known already, with their name.
func (a *Accounts) Look(ctx context.Context, code string) (Invitation, error) {
	code, err := cleanCode(code)
	if err != nil {
		return Invitation{}, err
	}
	var inv Invitation
	err = a.db.Snapshot(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		if inv, err = a.open(ctx, tx, code); err != nil || inv.Person == "" {
			return err
		}
		p, err := a.grantOf(ctx, tx, inv.Site, inv.Person)
		inv.Name = p.Name
		return err
	})
	return inv, err
}

func (a *Accounts) open(ctx context.Context, tx *sql.Tx, code string) (Invitation, error) {
	var inv Invitation
	var person, name sql.NullString
	var spent sql.NullInt64
	err := tx.QueryRowContext(ctx, `SELECT site_id, role, person_id, name, expires_at, spent_at FROM invitations WHERE code_hash = $1`,
		hash(code)).Scan(&inv.Site, &inv.Role, &person, &name, &inv.Expires, &spent)
	if errors.Is(err, sql.ErrNoRows) {
		return inv, problem.New(problem.NotFound, "code", "This code opens no invitation: check it, or ask for a new one.")
	}
	if err != nil {
		return inv, fmt.Errorf("reading the invitation: %w", err)
	}
	if spent.Valid {
		return inv, problem.New(problem.Gone, "code", "This invitation has been used: ask for a new one.")
	}
	if inv.Expires <= a.millis() {
		return inv, problem.New(problem.Gone, "code", "This invitation has run out: ask for a new one.")
	}
	inv.Person, inv.Name = person.String, name.String
	return inv, nil
}

// Joined is what an invitation gave.
type Joined struct {
	Site   Site
	Device string
	Person Person
}

// NewDevice is what a phone says of itself when it joins.
type NewDevice struct {
	PublicKey []byte // Ed25519, 32 bytes; empty only for a script's device, which never answers a challenge
	Label     string
}

// Join spends an invitation: on a new device, or on one enrolled already (device set), where it adds a person.
func (a *Accounts) Join(ctx context.Context, code, name, device string, fresh NewDevice) (Joined, error) {
	code, err := cleanCode(code)
	if err != nil {
		return Joined{}, err
	}
	var j Joined
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		inv, err := a.open(ctx, tx, code)
		if err != nil {
			return err
		}
		if err := a.joinPerson(ctx, tx, inv, name, &j); err != nil {
			return err
		}
		j.Device = device
		if device == "" {
			if j.Device, err = a.addDevice(ctx, tx, inv.Site, fresh); err != nil {
				return err
			}
		} else if err := a.deviceAt(ctx, tx, inv.Site, device); err != nil {
			return err
		}
		if err := a.linkPerson(ctx, tx, j.Device, j.Person.ID); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE invitations SET spent_at = $1, spent_by = $2 WHERE code_hash = $3`,
			a.millis(), j.Device, hash(code))
		return err
	})
	if err != nil {
		return Joined{}, fmt.Errorf("joining: %w", err)
	}
	j.Site, err = a.Site(ctx, j.Site.ID)
	return j, err
}

func (a *Accounts) joinPerson(ctx context.Context, tx *sql.Tx, inv Invitation, name string, j *Joined) (err error) {
	j.Site.ID = inv.Site
	if inv.Person != "" {
		j.Person, err = a.grantOf(ctx, tx, inv.Site, inv.Person)
		return err
	}
	if inv.Name != "" {
		name = inv.Name
	}
	j.Person, err = a.addPerson(ctx, tx, inv.Site, name, inv.Role, a.millis())
	return err
}

func (a *Accounts) grantOf(ctx context.Context, tx *sql.Tx, site, person string) (Person, error) {
	p := Person{ID: person}
	err := tx.QueryRowContext(ctx, `SELECT COALESCE(p.name, ''), g.role, g.from_at, COALESCE(g.until_at, 0)
		FROM grants g JOIN people p ON p.id = g.person_id
		WHERE g.site_id = $1 AND g.person_id = $2 AND (g.until_at IS NULL OR g.until_at > $3)`,
		hub.Text(site), hub.Text(person), a.millis()).Scan(&p.Name, &p.Role, &p.From, &p.Until)
	if errors.Is(err, sql.ErrNoRows) {
		return p, problem.New(problem.NotFound, "person", "This person has no open access at this site.")
	}
	return p, err
}

// JoinLink is the address that opens an invitation. The code stands behind the #, which browsers keep to
// themselves: it reaches no server log.
func JoinLink(origin, code string) string { return origin + "/join#" + code }
