package simulate

import (
	"context"
	"runtime"
	"strings"
	"sync"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
)

// Some seeds from beginning to end: nothing is lost, and all holds.
func TestSeeds(t *testing.T) {
	seen := map[string]int{}
	var mu sync.Mutex
	t.Run("seeds", func(t *testing.T) {
		for seed := range uint64(20) {
			t.Run("", func(t *testing.T) {
				t.Parallel()
				res := Run(Config{Seed: seed, Entries: 200})
				if res.Failure != nil {
					t.Errorf("%v\n%s", res.Failure, res.Failure.Stack)
				}
				if res.Entries < 200 || res.Acknowledged < res.Entries/2 || res.Lost != 0 {
					t.Errorf("seed %d: %d entries, %d acknowledged, %d lost", seed, res.Entries, res.Acknowledged, res.Lost)
				}
				mu.Lock()
				defer mu.Unlock()
				for name, n := range res.Faults {
					seen[name] += n
				}
			})
		}
	})
	for _, tr := range troubles {
		if tr.weight > 2 && seen[tr.name] == 0 {
			t.Errorf("no %s in all seeds", tr.name)
		}
	}
	for _, name := range []string{"frame_lost", "frame_vanished", "frame_duplicated", "frame_reordered", "frame_truncated",
		"hint_lost", "store_error_before", "store_error_after", "refused", "held", "rules_compared"} {
		if seen[name] == 0 {
			t.Errorf("no %s in all seeds", name)
		}
	}
}

// The same seed gives the same trace, on one core and on two.
func TestSameSeedSameTrace(t *testing.T) {
	traces := map[string]bool{}
	for _, seed := range []uint64{3, 11, 12} {
		first := Run(Config{Seed: seed, Entries: 150})
		before := runtime.GOMAXPROCS(1)
		second := Run(Config{Seed: seed, Entries: 150})
		runtime.GOMAXPROCS(2)
		third := Run(Config{Seed: seed, Entries: 150})
		runtime.GOMAXPROCS(before)
		if first.JSON() != second.JSON() || first.JSON() != third.JSON() {
			t.Errorf("seed %d: three runs differ:\n%s\n%s\n%s", seed, first.JSON(), second.JSON(), third.JSON())
		}
		traces[first.Trace] = true
	}
	if len(traces) != 3 {
		t.Errorf("three seeds have %d traces", len(traces))
	}
}

// restores makes restores from backups and phones that are shut out frequent.
func restores(p *profile) {
	for _, name := range []string{"server_backup", "server_restored", "server_crash", "revoke", "meet"} {
		p.weights[name] = 20
	}
	p.windowAtOnce, p.troubleEvery = 0, p.troubleEvery/3
}

// What phones hold comes back after restores, also what its author cannot
// bring any more.
func TestRestores(t *testing.T) {
	taken := 0
	for seed := uint64(25); seed < 31; seed++ {
		res := Run(Config{Seed: seed, Entries: 150, tamper: tamper{profile: restores}})
		if res.Failure != nil {
			t.Errorf("%v\n%s", res.Failure, res.Failure.Stack)
		}
		taken += res.Faults["acknowledged_before_a_restore"]
	}
	if taken == 0 {
		t.Error("no restore took anything")
	}
}

// broken is a store that does something wrong.
type broken struct {
	hub.Store
	append func(hub.Batch) (hub.Batch, error, bool)
	load   func(doc string, changes []hub.StoredChange) []hub.StoredChange
	hold   bool
}

func (b *broken) Append(ctx context.Context, batch hub.Batch) error {
	if b.append != nil {
		changed, err, done := b.append(batch)
		if done {
			return err
		}
		batch = changed
	}
	return b.Store.Append(ctx, batch)
}

func (b *broken) Load(ctx context.Context, site, doc string) ([]hub.StoredChange, []hub.HeldChange, error) {
	changes, held, err := b.Store.Load(ctx, site, doc)
	if b.load != nil {
		changes = b.load(doc, changes)
	}
	return changes, held, err
}

func (b *broken) Hold(ctx context.Context, site string, held []hub.HeldChange) error {
	if b.hold {
		return nil
	}
	return b.Store.Hold(ctx, site, held)
}

// TestFinds: what is broken on purpose is found, by the invariant that is
// there for it, within a few seeds.
func TestFinds(t *testing.T) {
	every := func(n int) func() bool {
		calls := 0
		return func() bool { calls++; return calls%n == 0 }
	}
	in := func(b *broken) func(hub.Store) hub.Store {
		return func(s hub.Store) hub.Store { c := *b; c.Store = s; return &c }
	}
	for _, c := range []struct {
		what   string
		tamper func() tamper
		wants  []int
	}{
		{"a store that says stored and does nothing", func() tamper {
			now := every(40)
			return tamper{store: in(&broken{append: func(b hub.Batch) (hub.Batch, error, bool) {
				return b, nil, b.Doc != logbook.PlanDocument && now()
			}})}
		}, []int{1}},
		{"a store that drops one change of a batch", func() tamper {
			now := every(3)
			return tamper{store: in(&broken{append: func(b hub.Batch) (hub.Batch, error, bool) {
				if len(b.Changes) > 1 && now() {
					b.Changes = b.Changes[:len(b.Changes)-1]
				}
				return b, nil, false
			}})}
		}, []int{1}},
		{"an acknowledgement before the store has answered", func() tamper { return tamper{early: true} }, []int{1}},
		{"a store in which a byte turns over", func() tamper {
			now := every(60)
			var last hub.Batch
			return tamper{store: func(s hub.Store) hub.Store {
				return &broken{Store: s, append: func(b hub.Batch) (hub.Batch, error, bool) {
					if mem, ok := s.(*memstore.Store); ok && now() {
						if c, there := mem.Change(siteID, last.Doc, last.Changes[0].Hash); there {
							c.Bytes[len(c.Bytes)-1] ^= 1
						}
					}
					last = b
					return b, nil, false
				}}
			}}
		}, []int{7}},
		{"a store that gives back other bytes", func() tamper {
			now := every(60)
			return tamper{store: in(&broken{append: func(b hub.Batch) (hub.Batch, error, bool) {
				if now() {
					b.Changes[0].Bytes = append(append([]byte(nil), b.Changes[0].Bytes...), 0)
				}
				return b, nil, false
			}})}
		}, []int{2, 7, 9}},
		{"a store that forgets a change when it is read", func() tamper {
			return tamper{store: in(&broken{load: func(doc string, changes []hub.StoredChange) []hub.StoredChange {
				if len(changes) > 5 && doc != logbook.PlanDocument {
					return changes[:len(changes)-1]
				}
				return changes
			}})}
		}, []int{1, 9}},
		{"a server that lets everybody write everything", func() tamper {
			return tamper{event: func(ev hub.Event) hub.Event {
				if o, ok := ev.(hub.Opened); ok {
					for i := range o.Identity.Author.People {
						o.Identity.Author.People[i].Role = "manager"
					}
					return o
				}
				return ev
			}}
		}, []int{4}},
		{"nodes that never compare heads while hints are lost", func() tamper {
			return tamper{site: func(c *hub.SiteConfig) { c.Reconcile = 0 },
				profile: func(p *profile) { p.nodes, p.reconcile, p.hintLoss = 2, 30_000, 900_000 }}
		}, []int{9}},
		{"a frame that makes the server panic", func() tamper {
			now := every(300)
			return tamper{event: func(ev hub.Event) hub.Event {
				if _, ok := ev.(hub.Frame); ok && now() {
					panic("on purpose")
				}
				return ev
			}}
		}, []int{5}},
		{"a server that forgets what it holds", func() tamper {
			return tamper{store: in(&broken{hold: true})}
		}, []int{1, 9}},
		{"a phone's disk that loses what was called saved", func() tamper { return tamper{forget: true} }, []int{1, 6}},
		{"a server that does not hear every frame", func() tamper {
			now := every(25)
			return tamper{event: func(ev hub.Event) hub.Event {
				if f, ok := ev.(hub.Frame); ok && now() {
					f.Conn = 0
					return f
				}
				return ev
			}}
		}, []int{9}},
	} {
		t.Run(strings.ReplaceAll(c.what, " ", "_"), func(t *testing.T) {
			t.Parallel()
			for seed := range uint64(25) {
				res := Run(Config{Seed: seed, Entries: 200, tamper: c.tamper()})
				if res.Failure == nil {
					continue
				}
				for _, n := range c.wants {
					if res.Failure.Invariant == n {
						t.Logf("seed %d: %v", seed, res.Failure)
						return
					}
				}
				t.Fatalf("found by another invariant than %v: %v\n%s", c.wants, res.Failure, res.Failure.Stack)
			}
			t.Error("not found")
		})
	}
}
