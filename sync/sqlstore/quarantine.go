package sqlstore

import (
	"context"
	"encoding/json"

	"gatewright/sync/hub"
)

const addQuarantine = `INSERT INTO quarantine (id, site_id, doc, hash, device, person, code, reason, bytes, entries, at)
	VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) ON CONFLICT DO NOTHING`

// Quarantine implements hub.Store.
func (s *Store) Quarantine(ctx context.Context, site string, refused []hub.Quarantined) error {
	return s.write(ctx, "keeping what was refused", func(j job) error {
		if err := j.lock(site); err != nil {
			return err
		}
		for _, q := range refused {
			entries, err := json.Marshal(append([]string{}, q.Entries...))
			if err != nil {
				return err
			}
			if _, err := j.exec(addQuarantine, hub.Text(q.ID), site, hub.Text(q.Doc), q.Hash[:], hub.Text(q.Device), hub.Text(q.Person),
				hub.Text(q.Code), hub.Text(q.Reason), blob(q.Bytes), string(entries), q.At); err != nil {
				return err
			}
		}
		return nil
	})
}
