package sqlitestore

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"gatewright/schema/logbook"
	"gatewright/schema/num"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/sqlstore"
)

// month gives a database with one month of n entries, each in a change of its
// own, by ten phones that hear of one another now and then.
func month(tb testing.TB, n int) *DB {
	tb.Helper()
	db, err := Open(tb.Context(), filepath.Join(tb.TempDir(), "gatewright.db"), Options{})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = db.Close() })
	putSite(tb, db, "s1")
	random := rand.New(rand.NewPCG(7, 7))
	type phone struct {
		device, person string
		actor          change.Actor
		seq, op        uint64
		heads          []change.Hash
	}
	phones := make([]*phone, 10)
	for i := range phones {
		p := &phone{device: fmt.Sprintf("d%09d", i), person: fmt.Sprintf("p%09d", i), op: 1}
		p.actor = change.Actor(random16(random))
		phones[i] = p
		putDevice(tb, db, "s1", admit.Author{Device: p.device})
	}
	begin := time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC).UnixMilli()
	b := hub.Batch{Site: "s1", Doc: "log/2026-10", DocID: "4QmPxqpVqPdSGbDDTsZdGq8BsrV7", Now: 1}
	for i := range n {
		p := phones[random.IntN(len(phones))]
		if other := phones[random.IntN(len(phones))]; other != p && len(other.heads) == 1 && len(p.heads) == 1 && random.IntN(3) == 0 {
			p.heads = append(p.heads, other.heads...)
			p.op = max(p.op, other.op)
		}
		at := begin + int64(i)*(31*86_400_000/int64(n))
		var r [10]byte
		copy(r[:], random16(random))
		e := logbook.Entry{ID: logbook.NewEntryID(at, r), V: 1, Kind: logbook.Tick, At: at - int64(random.IntN(60_000)), By: p.person, Dev: p.device, Check: "e05"}
		if i%4 == 0 {
			e.Kind, e.HasValue, e.Value, e.Unit = logbook.Reading, true, num.Micro(random.IntN(900)*10_000), "bar"
		}
		raw, err := e.Encode()
		if err != nil {
			tb.Fatal(err)
		}
		p.seq++
		c, err := change.NewLogChange(p.actor, p.seq, p.op, p.heads, at/1000, string(e.ID), string(raw))
		if err != nil {
			tb.Fatal(err)
		}
		p.op, p.heads = p.op+1, []change.Hash{c.Hash}
		b.Changes = append(b.Changes, hub.StoredChange{Hash: c.Hash, Actor: c.Actor, Seq: c.Seq, Deps: c.Deps, Bytes: c.Bytes, ReceivedAt: at,
			Device: p.device, Entries: []hub.EntryRow{{ID: string(e.ID), Person: e.By}}})
		if len(b.Changes) == 500 || i == n-1 {
			if err := db.Append(tb.Context(), b); err != nil {
				tb.Fatal(err)
			}
			b.Changes = nil
		}
	}
	return db
}

func random16(r *rand.Rand) []byte {
	b := make([]byte, 16)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

// used is how many bytes of the file are in use.
func used(tb testing.TB, db *DB) int64 {
	tb.Helper()
	var pages, free, size int64
	if err := db.Reader().QueryRow(`SELECT p.page_count, f.freelist_count, s.page_size
		FROM pragma_page_count p, pragma_freelist_count f, pragma_page_size s`).Scan(&pages, &free, &size); err != nil {
		tb.Fatal(err)
	}
	return (pages - free) * size
}

// BenchmarkMonth loads a closed month of 10,000 entries, and packs it.
func BenchmarkMonth(b *testing.B) {
	for _, packed := range []bool{false, true} {
		b.Run(fmt.Sprintf("Load/packed=%v", packed), func(b *testing.B) {
			db := month(b, 10_000)
			if packed {
				if _, err := db.Pack(b.Context(), "s1", "log/2026-10", 1); err != nil {
					b.Fatal(err)
				}
			}
			for b.Loop() {
				list, _, err := db.Load(b.Context(), "s1", "log/2026-10")
				if err != nil || len(list) != 10_000 {
					b.Fatal(len(list), err)
				}
			}
			b.ReportMetric(float64(used(b, db)), "bytes-used")
		})
	}
	b.Run("Pack", func(b *testing.B) {
		var longest time.Duration // that the writer is taken at a time
		for b.Loop() {
			b.StopTimer()
			db := month(b, 10_000)
			timed := sqlstore.New(sqlstore.Engine{Read: db.read, MoveRow: moveRow, Write: func(ctx context.Context, unit sqlstore.Unit) error {
				begun := time.Now()
				defer func() { longest = max(longest, time.Since(begun)) }()
				return db.write(ctx, unit)
			}})
			b.StartTimer()
			if ok, err := timed.Pack(b.Context(), "s1", "log/2026-10", 1); err != nil || !ok {
				b.Fatal(ok, err)
			}
		}
		b.ReportMetric(float64(longest.Milliseconds()), "ms-longest-write")
	})
}
