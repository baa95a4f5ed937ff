package hub_test

import (
	"bytes"
	"context"
	"database/sql"
	"slices"
	"testing"

	"gatewright/sync/hub"
	"gatewright/sync/sqlitestore"
)

// TestPhonesMendTheStore: what is damaged in the store comes back from any
// phone that holds it, also from one that is not its author, and with it what
// depends on it; in rows as in a packed month.
func TestPhonesMendTheStore(t *testing.T) {
	for name, damage := range map[string]func(db *sqlitestore.DB, hash []byte) error{
		"a row": func(db *sqlitestore.DB, hash []byte) error {
			return db.Write(context.Background(), func(tx *sql.Tx) error {
				_, err := tx.Exec(`UPDATE changes SET bytes = x'0102', deps = x'' WHERE hash = $1`, hash)
				return err
			})
		},
		"a pack": func(db *sqlitestore.DB, _ []byte) error {
			if ok, err := db.Pack(context.Background(), yard, november, 1); err != nil || !ok {
				t.Fatal(ok, err)
			}
			return db.Write(context.Background(), func(tx *sql.Tx) error {
				_, err := tx.Exec(`UPDATE packs SET bytes = substr(bytes, 1, length(bytes) / 2)`)
				return err
			})
		},
	} {
		t.Run(name, func(t *testing.T) {
			db, l := sqlite(t), newLab(t)
			r := runner(t, db)
			a, b := plug(t, l, r, db, 1), plug(t, l, r, db, 2)
			b.open(november)
			for range 4 {
				id := a.tick()
				a.until("acknowledged", func() bool { return a.safe(november) })
				b.until("the entry came", func() bool { return b.has(november, id) })
			}
			b.tick()
			b.until("acknowledged", func() bool { return b.safe(november) })
			if err := r.Close(t.Context()); err != nil {
				t.Fatal(err)
			}
			before := rows(t, db)
			if err := damage(db, before[slices.IndexFunc(before, func(c hub.StoredChange) bool { return c.Seq == 2 })].Hash[:]); err != nil {
				t.Fatal(err)
			}
			if slices.EqualFunc(before, rows(t, db), sameChange) {
				t.Fatal("nothing was damaged")
			}

			r = runner(t, db)
			c := plug(t, l, r, db, 2) // not the author of what is damaged
			c.open(november)
			c.docs[november].g = b.docs[november].g
			c.say(november)
			c.until("all is safe", func() bool { return c.safe(november) })
			if len(c.refused) > 0 {
				t.Errorf("refused or held: %+v", c.refused)
			}
			if err := r.Close(t.Context()); err != nil {
				t.Fatal(err)
			}
			after := rows(t, db)
			if !slices.EqualFunc(before, after, sameChange) {
				t.Errorf("not mended:\n%+v\n%+v", before, after)
			}
			if _, held, err := db.Load(t.Context(), yard, november); err != nil || len(held) > 0 {
				t.Errorf("%d held, %v", len(held), err)
			}
		})
	}
}

func rows(t *testing.T, db *sqlitestore.DB) []hub.StoredChange {
	t.Helper()
	list, _, err := db.Load(t.Context(), yard, november)
	if err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(list, func(a, b hub.StoredChange) int { return a.Hash.Compare(b.Hash) })
	return list
}

func sameChange(a, b hub.StoredChange) bool {
	return a.Hash == b.Hash && bytes.Equal(a.Bytes, b.Bytes) && slices.Equal(a.Deps, b.Deps) && a.Actor == b.Actor && a.Seq == b.Seq &&
		a.Device == b.Device && a.Via == b.Via && a.ReceivedAt == b.ReceivedAt && slices.Equal(a.Entries, b.Entries)
}
