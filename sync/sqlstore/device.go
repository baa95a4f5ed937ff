package sqlstore

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

const (
	findDevice = `SELECT revoked_at FROM devices WHERE id = $1 AND site_id = $2`
	addActor   = `INSERT INTO actors (site_id, actor, device) VALUES ($1, $2, $3)`
	findActor  = `SELECT device FROM actors WHERE site_id = $1 AND actor = $2`
)

// allowed refuses a device that is unknown at the site or revoked. The device
// stays as it is until the unit has ended: who revokes it waits, and nothing of
// it is stored once that was answered.
func (a *appending) allowed(device string, h change.Hash) error {
	if device == admit.ServerDevice || a.allow[device] {
		return nil
	}
	var revoked sql.NullInt64
	ok, err := a.get(a.bringer, &revoked, device, a.Site)
	switch {
	case err != nil:
		return err
	case !ok:
		return &hub.StoreError{Code: hub.StoreDevice, Hash: h}
	case revoked.Valid:
		return &hub.StoreError{Code: hub.StoreRevoked, Hash: h}
	}
	a.allow[device] = true
	return nil
}

// bind binds the change's actor to its device, or finds it bound to it.
func (a *appending) bind(c hub.StoredChange) error {
	device, known := a.actors[c.Actor]
	if !known {
		ok, err := a.get(findActor, &device, a.Site, []byte(c.Actor))
		if err == nil && !ok {
			device = c.Device
			_, err = a.exec(addActor, a.Site, []byte(c.Actor), c.Device)
		}
		if err != nil {
			return err
		}
		a.actors[c.Actor] = device
	}
	if device != c.Device {
		return &hub.StoreError{Code: hub.StoreActor, Hash: c.Hash}
	}
	return nil
}

// together is how many actors one query looks up: more go in several, fewer
// fill up with the last, so that there are two texts of the query only.
const together = 32

var findActors = func() string {
	var b strings.Builder
	b.WriteString(`SELECT actor, device FROM actors WHERE site_id = $1 AND actor IN ($2`)
	for i := 1; i < together; i++ {
		fmt.Fprintf(&b, ", $%d", i+2)
	}
	return b.String() + ")"
}()

// ActorDevices implements hub.Store.
func (s *Store) ActorDevices(ctx context.Context, site string, actors []change.Actor) (map[change.Actor]string, error) {
	var bound map[change.Actor]string
	err := s.read(ctx, "looking up actors", func(j job) error {
		bound = make(map[change.Actor]string, len(actors))
		if len(actors) == 1 {
			var device string
			ok, err := j.get(findActor, &device, site, []byte(actors[0]))
			if ok {
				bound[actors[0]] = device
			}
			return err
		}
		for some := range slices.Chunk(actors, together) {
			args := make([]any, 1+together)
			args[0] = site
			for i := range together {
				args[1+i] = []byte(some[min(i, len(some)-1)])
			}
			err := j.each(func(scan func(...any) error) error {
				var actor []byte
				var device string
				err := scan(&actor, &device)
				bound[change.Actor(actor)] = device
				return err
			}, findActors, args...)
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return bound, nil
}

// AuthorOf implements hub.Store.
func (s *Store) AuthorOf(ctx context.Context, site, device string) (author admit.Author, ok bool, err error) {
	if device == admit.ServerDevice {
		return admit.Author{Device: device, Server: true}, true, nil
	}
	err = s.read(ctx, "looking up a device", func(j job) error {
		author, ok = admit.Author{}, false
		a := admit.Author{Device: device}
		var revoked sql.NullInt64
		err := j.tx.QueryRowContext(j.ctx, `SELECT relay <> 0, revoked_at FROM devices WHERE id = $1 AND site_id = $2`,
			device, site).Scan(&a.Relay, &revoked)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		a.Revoked = revoked.Int64
		err = j.each(func(scan func(...any) error) error {
			var p admit.Person
			var until sql.NullInt64
			var gates, doings sql.NullString
			if err := scan(&p.ID, &p.Role, &p.From, &until, &gates, &doings); err != nil {
				return err
			}
			p.Until = until.Int64
			if err := errors.Join(texts(gates.String, &p.Gates), texts(doings.String, &p.Doings)); err != nil {
				return fmt.Errorf("reading the limits of a grant: %w", err)
			}
			a.People = append(a.People, p)
			return nil
		}, `SELECT g.person_id, g.role, g.from_at, g.until_at, g.gates, g.doings
			FROM device_people dp JOIN grants g ON g.person_id = dp.person_id AND g.site_id = $1
			WHERE dp.device_id = $2 ORDER BY g.id`, site, device)
		slices.SortStableFunc(a.People, func(p, q admit.Person) int {
			return cmp.Or(cmp.Compare(p.ID, q.ID), cmp.Compare(p.From, q.From))
		})
		author, ok = a, err == nil
		return err
	})
	if err != nil {
		return admit.Author{}, false, err
	}
	return author, ok, nil
}

// texts reads a JSON list of texts; nothing is no list.
func texts(text string, into *[]string) error {
	if text == "" {
		return nil
	}
	return json.Unmarshal([]byte(text), into)
}
