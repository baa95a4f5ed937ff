package accounts

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"regexp"
	"slices"

	"github.com/google/uuid"

	"gatewright/api/problem"
	"gatewright/schema/zones"
)

// Site is a farm yard with one or more gates and one time zone.
type Site struct {
	ID   string `json:"id"`
	Slug string `json:"slug"`
	Name string `json:"name"`
	Zone string `json:"zone"`
}

var slugForm = regexp.MustCompile(`^[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?$`)

// CreateSite makes a site; slug is its short name in addresses and on the command line.
func (a *Accounts) CreateSite(ctx context.Context, slug, name, zone string) (Site, error) {
	if !slugForm.MatchString(slug) {
		return Site{}, invalid("slug", "slug must be 1 to 40 of a-z, 0-9 and -, not starting or ending with -.")
	}
	name, err := cleanName("name", name)
	if err != nil {
		return Site{}, err
	}
	if _, err := zones.Table(zone); errors.Is(err, zones.ErrUnknown) { // the table that goes into the plan, not the machine's own
		return Site{}, invalid("zone", err.Error()+".")
	} else if err != nil {
		return Site{}, err
	}
	s := Site{ID: uuid.NewString(), Slug: slug, Name: name, Zone: zone}
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		var n int
		if err := tx.QueryRowContext(ctx, `SELECT COUNT(*) FROM sites WHERE slug = $1`, slug).Scan(&n); err != nil {
			return err
		}
		if n > 0 {
			return problem.New(problem.Conflict, "slug", "A site with this slug exists already.")
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO sites(id, slug, name, zone, created_at) VALUES($1, $2, $3, $4, $5)`,
			s.ID, s.Slug, s.Name, s.Zone, a.millis())
		return err
	})
	if err != nil {
		return Site{}, fmt.Errorf("creating site %s: %w", slug, err)
	}
	return s, nil
}

// Site finds a site by id.
func (a *Accounts) Site(ctx context.Context, id string) (Site, error) {
	return a.site(ctx, `SELECT id, slug, name, zone FROM sites WHERE id = $1`, id)
}

// SiteBySlug finds a site by its slug.
func (a *Accounts) SiteBySlug(ctx context.Context, slug string) (Site, error) {
	return a.site(ctx, `SELECT id, slug, name, zone FROM sites WHERE slug = $1`, slug)
}

func (a *Accounts) site(ctx context.Context, query, key string) (Site, error) {
	var s Site
	err := a.row(ctx, query, key, &s.ID, &s.Slug, &s.Name, &s.Zone)
	if errors.Is(err, sql.ErrNoRows) {
		return Site{}, problem.New(problem.NotFound, "site", "There is no such site here.")
	}
	if err != nil {
		return Site{}, fmt.Errorf("reading site: %w", err)
	}
	return s, nil
}

// Sites lists all sites by slug.
func (a *Accounts) Sites(ctx context.Context) ([]Site, error) {
	out, err := list(ctx, a, func(scan func(...any) error) (s Site, err error) {
		err = scan(&s.ID, &s.Slug, &s.Name, &s.Zone)
		return s, err
	}, `SELECT id, slug, name, zone FROM sites`)
	if err != nil {
		return nil, fmt.Errorf("listing sites: %w", err)
	}
	// Not by the database: each orders text in its own way.
	slices.SortFunc(out, func(a, b Site) int { return cmp.Compare(a.Slug, b.Slug) })
	return out, nil
}

// OpenRestoreWindow lets foreign authors' changes in until the given instant (ms): the owner opens it after an
// old backup was restored, and the phones heal the server.
func (a *Accounts) OpenRestoreWindow(ctx context.Context, site string, until int64) error {
	return a.db.Write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE sites SET restore_until = $1 WHERE id = $2`, until, site)
		return err
	})
}

// RestoreUntil is the end of the site's restore window (ms), 0 when none is open.
func (a *Accounts) RestoreUntil(ctx context.Context, site string) (int64, error) {
	var until sql.NullInt64
	err := a.row(ctx, `SELECT restore_until FROM sites WHERE id = $1`, site, &until)
	if err != nil {
		return 0, fmt.Errorf("reading restore window: %w", err)
	}
	if until.Int64 <= a.millis() {
		return 0, nil
	}
	return until.Int64, nil
}

// Setting reads a server-wide value, empty when it was never set.
func (a *Accounts) Setting(ctx context.Context, key string) (string, error) {
	var v string
	err := a.row(ctx, `SELECT value FROM settings WHERE key = $1`, key, &v)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("reading setting %s: %w", key, err)
	}
	return v, nil
}

// SettingOr reads a server-wide value, and keeps and gives fresh when it was never set: of several nodes that start at
// once, all get the same.
func (a *Accounts) SettingOr(ctx context.Context, key, fresh string) (string, error) {
	v, err := a.Setting(ctx, key)
	if err != nil || v != "" {
		return v, err
	}
	err = a.db.Write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `INSERT INTO settings(key, value) VALUES($1, $2) ON CONFLICT DO NOTHING`, key, fresh); err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT value FROM settings WHERE key = $1`, key).Scan(&v)
	})
	if err != nil {
		return "", fmt.Errorf("keeping setting %s: %w", key, err)
	}
	return v, nil
}

// SetSetting keeps a server-wide value. One that is kept already is not written again, so that a server whose disk
// is full can still be started.
func (a *Accounts) SetSetting(ctx context.Context, key, value string) error {
	if kept, err := a.Setting(ctx, key); err != nil || kept == value && value != "" {
		return err
	}
	return a.db.Write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx,
			`INSERT INTO settings(key, value) VALUES($1, $2) ON CONFLICT(key) DO UPDATE SET value = excluded.value`, key, value)
		return err
	})
}
