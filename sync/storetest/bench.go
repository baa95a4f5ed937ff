package storetest

import (
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// Bench measures Append as the hub calls it: one change with one entry, built
// on the one before. It tells how long one takes when nothing else goes on, and
// how many a second 16 writers get done, at a site each and at one site, each
// writer in a document of its own.
func Bench(b *testing.B, open func(b *testing.B) Backend) {
	for _, c := range []struct {
		name           string
		writers, sites int
	}{{"one", 1, 1}, {"16 at 16 sites", 16, 16}, {"16 at one site", 16, 1}} {
		b.Run(c.name, func(b *testing.B) {
			s := open(b)
			for i := range c.sites {
				site := fmt.Sprint("s", i)
				s.PutSite(b, site)
				s.PutDevice(b, site, admit.Author{Device: "d-" + site})
			}
			took := make([][]time.Duration, c.writers)
			var next atomic.Int64
			var wg sync.WaitGroup
			b.ResetTimer()
			begun := time.Now()
			for w := range c.writers {
				wg.Go(func() {
					for n := 1; next.Add(1) <= int64(b.N); n++ {
						batch := benchBatch(fmt.Sprint("s", w%c.sites), fmt.Sprint("w", w), n)
						at := time.Now()
						if err := s.Store.Append(b.Context(), batch); err != nil {
							b.Error(err)
							return
						}
						took[w] = append(took[w], time.Since(at))
					}
				})
			}
			wg.Wait()
			seconds := time.Since(begun).Seconds()
			b.StopTimer()
			all := slices.Concat(took...)
			slices.Sort(all)
			b.ReportMetric(float64(len(all))/seconds, "appends/s")
			b.ReportMetric(float64(all[len(all)/2].Microseconds())/1000, "p50-ms")
			b.ReportMetric(float64(all[len(all)*99/100].Microseconds())/1000, "p99-ms")
		})
	}
}

func benchBatch(site, actor string, n int) hub.Batch {
	label := func(n int) change.Hash { return hashOf(fmt.Sprintf("%s/%s/%d", site, actor, n)) }
	c := hub.StoredChange{Hash: label(n), Actor: change.Actor(site + actor), Seq: uint64(n), Bytes: make([]byte, 300), ReceivedAt: int64(n), Device: "d-" + site}
	c.Entries = []hub.EntryRow{{ID: fmt.Sprintf("%s/%d", actor, n), Person: "p1"}}
	if n > 1 {
		c.Deps = []change.Hash{label(n - 1)}
	}
	return hub.Batch{Site: site, Doc: "log/" + actor, DocID: site + "/" + actor, Changes: []hub.StoredChange{c}, Now: int64(n)}
}
