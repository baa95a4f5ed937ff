package accounts

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"

	"gatewright/api/problem"
	"gatewright/schema/rights"
)

// Person is somebody with a grant at a site. Until is 0 while the grant is open.
type Person struct {
	ID    string      `json:"id"`
	Name  string      `json:"name"`
	Role  rights.Role `json:"role"`
	From  int64       `json:"from"`
	Until int64       `json:"until,omitempty"`
}

// AddPerson makes a person with a grant at a site from the given instant on.
func (a *Accounts) AddPerson(ctx context.Context, site, name string, role rights.Role, from int64) (Person, error) {
	var p Person
	err := a.db.Write(ctx, func(tx *sql.Tx) (err error) {
		p, err = a.addPerson(ctx, tx, site, name, role, from)
		return err
	})
	if err != nil {
		return Person{}, fmt.Errorf("adding a person: %w", err)
	}
	return p, nil
}

func (a *Accounts) addPerson(ctx context.Context, tx *sql.Tx, site, name string, role rights.Role, from int64) (Person, error) {
	name, err := cleanName("name", name)
	if err != nil {
		return Person{}, err
	}
	if err := checkRole(role); err != nil {
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
	_, err = tx.ExecContext(ctx, `INSERT INTO grants(id, site_id, person_id, role, from_at) VALUES($1, $2, $3, $4, $5)`,
		grant, site, id, string(role), from)
	if err != nil {
		return Person{}, err
	}
	return Person{ID: id, Name: name, Role: role, From: from}, nil
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
	return a.people(ctx, `SELECT p.id, COALESCE(p.name, ''), g.role, g.from_at, COALESCE(g.until_at, 0)
		FROM grants g JOIN people p ON p.id = g.person_id WHERE g.site_id = $1`, site)
}

// PeopleOn lists the people enrolled on a device with their grants at its site.
func (a *Accounts) PeopleOn(ctx context.Context, site, device string) ([]Person, error) {
	return a.people(ctx, `SELECT p.id, COALESCE(p.name, ''), g.role, g.from_at, COALESCE(g.until_at, 0)
		FROM device_people dp JOIN people p ON p.id = dp.person_id
		JOIN grants g ON g.person_id = p.id AND g.site_id = $1
		WHERE dp.device_id = $2`, site, device)
}

func (a *Accounts) people(ctx context.Context, query string, args ...any) ([]Person, error) {
	out, err := list(ctx, a, func(scan func(...any) error) (p Person, err error) {
		err = scan(&p.ID, &p.Name, &p.Role, &p.From, &p.Until)
		return p, err
	}, query, args...)
	if err != nil {
		return nil, fmt.Errorf("listing people: %w", err)
	}
	// Not by the database: each orders text in its own way.
	slices.SortFunc(out, func(p, q Person) int {
		return cmp.Or(cmp.Compare(p.Name, q.Name), cmp.Compare(p.ID, q.ID), cmp.Compare(p.From, q.From))
	})
	return out, nil
}

// EndPerson closes a person's open grants at a site at the given instant: what was recorded before still
// counts, what is recorded later does not.
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
		return nil
	})
	if err != nil {
		return fmt.Errorf("ending access: %w", err)
	}
	return nil
}
