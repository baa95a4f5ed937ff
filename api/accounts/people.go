package accounts

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"gatewright/api/problem"
	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// Person is somebody with a grant at a site. Until is 0 while the grant is open.
type Person struct {
	ID    string      `json:"id"`
	Name  string      `json:"name"`
	Role  rights.Role `json:"role"`
	From  int64       `json:"from"`
	Until int64       `json:"until,omitempty"`
	Owner bool        `json:"owner,omitempty"`
	Limits
}

// Limits is what a grant is limited to; an empty list limits nothing.
type Limits struct {
	Gates  []string `json:"gates,omitempty"`  // ids of gates
	Doings []string `json:"doings,omitempty"` // kinds of entry
}

// Grant is somebody's right at a site.
type Grant struct {
	Role        rights.Role
	From, Until int64
	Limits      Limits
	Owner       bool
}

// mostGates bounds the gates that a grant names.
const mostGates = 100

// stored checks the limits and gives them as the database keeps them.
func (l Limits) stored() (gates, doings string, err error) {
	if len(l.Gates) > mostGates {
		return "", "", invalid("gates", "gates names more than 100 gates.")
	}
	for _, g := range l.Gates {
		if !logbook.ItemID(g) {
			return "", "", invalid("gates", "gates must hold ids of gates.")
		}
	}
	for _, d := range l.Doings {
		if !slices.Contains(logbook.Kinds(), logbook.Kind(d)) {
			return "", "", invalid("doings", "doings must hold kinds of entry, such as tick or reading.")
		}
	}
	text := func(list []string) string {
		if len(list) == 0 {
			return ""
		}
		b, _ := json.Marshal(list) // of strings: it cannot fail
		return string(b)
	}
	return text(l.Gates), text(l.Doings), nil
}

func readLimits(gates, doings string) (l Limits, err error) {
	for _, part := range []struct {
		text string
		into *[]string
	}{{gates, &l.Gates}, {doings, &l.Doings}} {
		if part.text != "" {
			err = errors.Join(err, json.Unmarshal([]byte(part.text), part.into))
		}
	}
	return l, err
}

// personColumns are of people p and grants g.
const personColumns = `p.id, COALESCE(p.name, ''), g.role, g.from_at, COALESCE(g.until_at, 0), g.owner <> 0, COALESCE(g.gates, ''), COALESCE(g.doings, '')`

func scanPerson(scan func(...any) error) (p Person, err error) {
	var gates, doings string
	if err := scan(&p.ID, &p.Name, &p.Role, &p.From, &p.Until, &p.Owner, &gates, &doings); err != nil {
		return p, err
	}
	p.Limits, err = readLimits(gates, doings)
	return p, err
}

// AddPerson makes a person with a grant at a site.
func (a *Accounts) AddPerson(ctx context.Context, site, name string, g Grant) (Person, error) {
	var p Person
	err := a.db.Write(ctx, func(tx *sql.Tx) (err error) {
		p, err = a.addPerson(ctx, tx, site, name, g)
		return err
	})
	if err != nil {
		return Person{}, fmt.Errorf("adding a person: %w", err)
	}
	return p, nil
}

func (a *Accounts) addPerson(ctx context.Context, tx *sql.Tx, site, name string, g Grant) (Person, error) {
	name, err := cleanName("name", name)
	if err != nil {
		return Person{}, err
	}
	if err := checkRole(g.Role); err != nil {
		return Person{}, err
	}
	gates, doings, err := g.Limits.stored()
	if err != nil {
		return Person{}, err
	}
	id, err := a.newID('p')
	if err != nil {
		return Person{}, err
	}
	grant, err := a.newID('g')
	if err != nil {
		return Person{}, err
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO people(id, name, created_at) VALUES($1, $2, $3)`, id, name, a.millis()); err != nil {
		return Person{}, err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO grants(id, site_id, person_id, role, from_at, until_at, gates, doings, owner) VALUES($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		grant, site, id, string(g.Role), g.From, zeroNull(g.Until), orNull(gates), orNull(doings), bit(g.Owner))
	if err != nil {
		return Person{}, err
	}
	return Person{ID: id, Name: name, Role: g.Role, From: g.From, Until: g.Until, Owner: g.Owner, Limits: g.Limits}, nil
}

func checkRole(role rights.Role) error {
	switch role {
	case rights.Crew, rights.Manager, rights.Contractor, rights.Technician, rights.Viewer:
		return nil
	}
	return invalid("role", "role must be crew, manager, contractor, technician or viewer.")
}

// People lists everybody who has or had a grant at the site, by name.
func (a *Accounts) People(ctx context.Context, site string) ([]Person, error) {
	return a.people(ctx, `SELECT `+personColumns+` FROM grants g JOIN people p ON p.id = g.person_id WHERE g.site_id = $1`, site)
}

// PeopleOn lists the people enrolled on a device with their grants at its site.
func (a *Accounts) PeopleOn(ctx context.Context, site, device string) ([]Person, error) {
	return a.people(ctx, `SELECT `+personColumns+` FROM device_people dp JOIN people p ON p.id = dp.person_id
		JOIN grants g ON g.person_id = p.id AND g.site_id = $1
		WHERE dp.device_id = $2`, site, device)
}

func (a *Accounts) people(ctx context.Context, query string, args ...any) ([]Person, error) {
	out, err := list(ctx, a, scanPerson, query, args...)
	if err != nil {
		return nil, fmt.Errorf("listing people: %w", err)
	}
	// Not by the database: each orders text in its own way.
	slices.SortFunc(out, func(p, q Person) int {
		return cmp.Or(cmp.Compare(p.Name, q.Name), cmp.Compare(p.ID, q.ID), cmp.Compare(p.From, q.From))
	})
	return out, nil
}

// EndPerson closes a person's open grants at a site at the given instant, and the invitations that they made and nobody
// has spent: what was recorded before still counts, what is recorded later does not.
func (a *Accounts) EndPerson(ctx context.Context, site, person string, until int64) error {
	err := a.db.Write(ctx, func(tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, `UPDATE grants SET until_at = $1
			WHERE site_id = $2 AND person_id = $3 AND (until_at IS NULL OR until_at > $1)`, until, site, person)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err != nil {
			return err
		}
		if n == 0 {
			return problem.New(problem.NotFound, "person", "This person has no open access at this site.")
		}
		// What they invited others with, or themselves, opens nothing any more.
		_, err = tx.ExecContext(ctx, `UPDATE invitations SET expires_at = $1, short_until = $1 WHERE site_id = $2 AND created_by = $3 AND spent_at IS NULL AND expires_at > $1`,
			until, site, person)
		return err
	})
	if err != nil {
		return fmt.Errorf("ending access: %w", err)
	}
	return nil
}

// Erase takes the name of a person whose access at the site has ended out of the directory, and every way in. It gives
// when the access ended (ms).
func (a *Accounts) Erase(ctx context.Context, site, person string) (int64, error) {
	var until int64
	err := a.db.Write(ctx, func(tx *sql.Tx) error {
		var grants, open int
		var last sql.NullInt64
		err := tx.QueryRowContext(ctx, `SELECT COUNT(*), COALESCE(SUM(CASE WHEN until_at IS NULL OR until_at > $3 THEN 1 ELSE 0 END), 0), MAX(until_at)
			FROM grants WHERE site_id = $1 AND person_id = $2`, hub.Text(site), hub.Text(person), a.millis()).Scan(&grants, &open, &last)
		switch {
		case err != nil:
			return err
		case grants == 0:
			return problem.New(problem.NotFound, "person", "There is no such person at this site.")
		case open > 0:
			return problem.New(problem.Conflict, "person", "This person still has access: end that first.")
		}
		until = last.Int64
		if err := dropWays(ctx, tx, person); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE invitations SET name = NULL WHERE person_id = $1`, person); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE people SET name = NULL WHERE id = $1`, person)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("erasing a name: %w", err)
	}
	return until, nil
}
