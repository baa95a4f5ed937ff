package sqlstore

import (
	"cmp"
	"context"
	"database/sql"
	"slices"
)

// DueSite is a site whose rules are due.
type DueSite struct {
	Site     string
	WakeAt   int64 // ms since 1970
	Revision int64 // of what was stored when this was read
}

const setWake = `UPDATE sites SET wake_at = $1 WHERE id = $2 AND revision = $3`

// SetWake sets the instant (ms) at which a site's rules are due next, 0 for
// none, if nothing was stored at the site since the given revision. It reports
// whether it did; otherwise the rules have something new to look at, and the
// site is due already.
func (s *Store) SetWake(ctx context.Context, site string, revision, at int64) (bool, error) {
	return s.compareAndSet(ctx, "setting a wake instant", setWake, sql.NullInt64{Int64: at, Valid: at != 0}, site, revision)
}

// DueSites lists the sites whose wake instant is not after now, the longest
// due first, at most limit of them.
func (s *Store) DueSites(ctx context.Context, now int64, limit int) (due []DueSite, err error) {
	err = s.read(ctx, "listing the sites that are due", func(j job) error {
		due = nil
		return j.each(func(scan func(...any) error) error {
			var d DueSite
			err := scan(&d.Site, &d.WakeAt, &d.Revision)
			due = append(due, d)
			return err
		}, `SELECT id, wake_at, revision FROM sites WHERE wake_at <= $1 ORDER BY wake_at, id LIMIT $2`, now, limit)
	})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(due, func(a, b DueSite) int { return cmp.Or(cmp.Compare(a.WakeAt, b.WakeAt), cmp.Compare(a.Site, b.Site)) })
	return due, nil
}
