package accounts

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"gatewright/api/problem"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// An invitation's link holds 100 bits of Crockford's base 32. The code that is read out and typed holds 40, for ten
// minutes; what guessing at it may cost is bounded where requests come in.
const (
	inviteLength = 20
	shortLength  = 8
)

// InviteLife is how long an invitation's link can be used, ShortLife its code that is typed.
const (
	InviteLife = 24 * time.Hour
	ShortLife  = 10 * time.Minute
)

// Short says whether a code has the length of one that is typed.
func Short(code string) bool {
	code, err := cleanCode(code)
	return err == nil && len(code) == shortLength
}

// Invitation is a one-use way in, bound to a site and a role; Person is set when it enrols a further device of
// somebody who is known already.
type Invitation struct {
	Site    string
	Role    rights.Role
	Person  string
	Name    string
	Expires int64
	Limits  Limits
	// From and Until bound the grant it gives; From 0 = from when it is spent, Until 0 = open.
	From, Until int64
	Owner       bool // the first manager, and whom an owner makes one
}

// Invited is what is told of a new invitation, once: its codes are kept nowhere.
type Invited struct {
	Code       string // for the link
	Short      string // to be read out and typed
	ShortUntil int64
}

// Invite makes an invitation.
func (a *Accounts) Invite(ctx context.Context, inv Invitation, by string) (made Invited, err error) {
	if err := checkRole(inv.Role); err != nil {
		return Invited{}, err
	}
	if inv.Name != "" {
		if inv.Name, err = cleanName("name", inv.Name); err != nil {
			return Invited{}, err
		}
	}
	gates, doings, err := inv.Limits.stored()
	if err != nil {
		return Invited{}, err
	}
	if inv.Until != 0 && inv.Until <= max(inv.From, a.millis()) {
		return Invited{}, invalid("until", "until must be later than from, and than now.")
	}
	code, err1 := a.code(inviteLength)
	short, err2 := a.code(shortLength)
	if err := errors.Join(err1, err2); err != nil {
		return Invited{}, fmt.Errorf("drawing a code: %w", err)
	}
	made = Invited{Code: code, Short: short, ShortUntil: min(inv.Expires, a.millis()+ShortLife.Milliseconds())}
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		if inv.Person != "" {
			if _, err := a.grantOf(ctx, tx, inv.Site, inv.Person); err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO invitations(code_hash, site_id, role, person_id, name, created_by, created_at, expires_at,
			short_hash, short_until, gates, doings, from_at, until_at, owner)
			VALUES($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)`,
			hash(code), inv.Site, string(inv.Role), orNull(inv.Person), orNull(inv.Name), by, a.millis(), inv.Expires,
			hash(short), made.ShortUntil, orNull(gates), orNull(doings), zeroNull(inv.From), zeroNull(inv.Until), bit(inv.Owner))
		return err
	})
	if err != nil {
		return Invited{}, fmt.Errorf("keeping the invitation: %w", err)
	}
	return made, nil
}

func zeroNull(n int64) any {
	if n == 0 {
		return nil
	}
	return n
}

func orNull(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// cleanCode undoes what hands and eyes do to a code: case, spaces, dashes, O for 0, I and L for 1.
func cleanCode(code string) (string, error) {
	code, err := cleanOf(code, inviteLength, shortLength)
	if err != nil {
		return "", invalid("code", "code is not a whole invitation code: it has 20 letters and digits, or 8 when it was read out.")
	}
	return code, nil
}

// cleanOf undoes the same to a code of one of these lengths.
func cleanOf(code string, lengths ...int) (string, error) {
	code = strings.NewReplacer(" ", "", "-", "", "O", "0", "I", "1", "L", "1").Replace(strings.ToUpper(code))
	if !slices.Contains(lengths, len(code)) || strings.Trim(code, crockford) != "" {
		return "", errors.New("not a code of that length")
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
	var person, name, gates, doings sql.NullString
	var spent, from, until sql.NullInt64
	key, expires := "code_hash", "expires_at"
	if len(code) == shortLength {
		key, expires = "short_hash", "short_until"
	}
	err := tx.QueryRowContext(ctx, `SELECT site_id, role, person_id, name, `+expires+`, spent_at, gates, doings, from_at, until_at, owner <> 0 FROM invitations WHERE `+key+` = $1`,
		hash(code)).Scan(&inv.Site, &inv.Role, &person, &name, &inv.Expires, &spent, &gates, &doings, &from, &until, &inv.Owner)
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
	inv.Person, inv.Name, inv.From, inv.Until = person.String, name.String, from.Int64, until.Int64
	inv.Limits, err = readLimits(gates.String, doings.String)
	return inv, err
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
		_, err = tx.ExecContext(ctx, `UPDATE invitations SET spent_at = $1, spent_by = $2 WHERE code_hash = $3 OR short_hash = $3`,
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
	g := Grant{Role: inv.Role, From: max(inv.From, a.millis()), Until: inv.Until, Limits: inv.Limits, Owner: inv.Owner}
	j.Person, err = a.addPerson(ctx, tx, inv.Site, name, g)
	return err
}

func (a *Accounts) grantOf(ctx context.Context, tx *sql.Tx, site, person string) (Person, error) {
	p, err := scanPerson(tx.QueryRowContext(ctx, `SELECT `+personColumns+` FROM grants g JOIN people p ON p.id = g.person_id
		WHERE g.site_id = $1 AND g.person_id = $2 AND (g.until_at IS NULL OR g.until_at > $3)`,
		hub.Text(site), hub.Text(person), a.millis()).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return p, problem.New(problem.NotFound, "person", "This person has no open access at this site.")
	}
	return p, err
}

// JoinLink is the address that opens an invitation. The code stands behind the #, which browsers keep to
// themselves: it reaches no server log.
func JoinLink(origin, code string) string { return origin + "/join#" + code }
