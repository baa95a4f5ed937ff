package sqlitestore

import (
	"fmt"
	"sync/atomic"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/storetest"
)

// The same on every engine.
func BenchmarkStore(b *testing.B) {
	storetest.Bench(b, func(b *testing.B) storetest.Backend {
		db, err := Open(b.Context(), b.TempDir()+"/gatewright.db", Options{})
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = db.Close() })
		return storetest.Backend{
			Store:     db,
			PutSite:   func(t storetest.TB, site string) { putSite(t, db, site) },
			PutDevice: func(t storetest.TB, site string, a admit.Author) { putDevice(t, db, site, a) },
		}
	})
}

// Many phones, each adding to a document of its own.
func BenchmarkAppend(b *testing.B) {
	for _, each := range []int{1, 32} { // writers per processor
		b.Run(fmt.Sprintf("each=%d", each), func(b *testing.B) {
			db, err := Open(b.Context(), b.TempDir()+"/gatewright.db", Options{})
			if err != nil {
				b.Fatal(err)
			}
			defer db.Close()
			putSite(b, db, "s1")
			putDevice(b, db, "s1", admit.Author{Device: "d1"})
			var writer atomic.Int64
			b.SetParallelism(each)
			commits0, _ := db.Commits()
			b.ResetTimer()
			b.RunParallel(func(pb *testing.PB) {
				actor := fmt.Sprintf("w%d", writer.Add(1))
				for n := 1; pb.Next(); n++ {
					if err := db.Append(b.Context(), chain(actor, n)); err != nil {
						b.Error(err)
						return
					}
				}
			})
			commits1, _ := db.Commits()
			b.ReportMetric(float64(commits1-commits0)/float64(b.N), "commits/op")
		})
	}
}
