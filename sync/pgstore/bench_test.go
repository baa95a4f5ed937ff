package pgstore

import (
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/storetest"
)

func BenchmarkStore(b *testing.B) {
	storetest.Bench(b, func(b *testing.B) storetest.Backend {
		db, _ := fresh(b)
		return storetest.Backend{
			Store:     db,
			PutSite:   func(t storetest.TB, site string) { putSite(t, db, site) },
			PutDevice: func(t storetest.TB, site string, a admit.Author) { putDevice(t, db, site, a) },
		}
	})
}
