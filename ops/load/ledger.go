package main

import (
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"gatewright/sync/change"
	"gatewright/sync/graph"
)

// ledger knows every entry of a run: when it was sent, and what change carries it.
type ledger struct {
	begun time.Time
	sent  []atomic.Int64 // ns since begun, by number
	byID  map[string]int // not written to once the run has begun

	mu     sync.RWMutex
	byHash map[change.Hash]known
}

// known is a change that some client of this process made or has read.
type known struct {
	node graph.Node
	n    int // number of its entry; -1 for none of this run
}

func newLedger(entries []entry) *ledger {
	l := &ledger{begun: time.Now(), sent: make([]atomic.Int64, len(entries)), byID: make(map[string]int, len(entries)),
		byHash: make(map[change.Hash]known, len(entries))}
	for _, e := range entries {
		l.byID[e.id] = e.n
	}
	return l
}

func (l *ledger) put(k known) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.byHash[k.node.Hash] = k
}

func (l *ledger) get(h change.Hash) (known, bool) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	k, ok := l.byHash[h]
	return k, ok
}

func (l *ledger) now() int64 { return int64(time.Since(l.begun)) }

// send notes that entry n leaves now.
func (l *ledger) send(n int) { l.sent[n].Store(l.now()) }

// tally is what one client has seen. Its own goroutine writes; it is read after the run.
type tally struct {
	goal *goal // deliveries, shared
	acks *goal

	mu         sync.Mutex
	deliveries []time.Duration
	ackTimes   []time.Duration
}

// delivered notes that entry n arrived at another phone than its writer's.
func (t *tally) delivered(l *ledger, n int, at int64) {
	sent := l.sent[n].Load()
	t.mu.Lock()
	t.deliveries = append(t.deliveries, time.Duration(at-sent))
	t.mu.Unlock()
	t.goal.add()
}

// acked notes that the server's heads cover entry n, at its writer's.
func (t *tally) acked(l *ledger, n int, at int64) {
	t.mu.Lock()
	t.ackTimes = append(t.ackTimes, time.Duration(at-l.sent[n].Load()))
	t.mu.Unlock()
	t.acks.add()
}

// reset forgets what the warm-up gave.
func (t *tally) reset() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.deliveries, t.ackTimes = nil, nil
}

// goal is a count that somebody waits for.
type goal struct {
	mu   sync.Mutex
	n    int
	want int
	done chan struct{} // closed when n has reached want
}

// aim begins to count anew.
func (g *goal) aim(want int) <-chan struct{} {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.n, g.want, g.done = 0, want, make(chan struct{})
	if want <= 0 {
		close(g.done)
	}
	return g.done
}

func (g *goal) add() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.n++; g.n == g.want {
		close(g.done)
	}
}

func (g *goal) count() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.n
}

// percentile is the nearest-rank percentile of durations in ms; sorted is in rising order and not empty.
func percentile(sorted []time.Duration, p float64) float64 {
	i := int(p/100*float64(len(sorted)) + 0.9999999)
	i = min(max(i, 1), len(sorted)) - 1
	return float64(sorted[i]) / float64(time.Millisecond)
}

// gather gives all durations of the tallies, sorted.
func gather(tallies []*tally, of func(*tally) []time.Duration) []time.Duration {
	var out []time.Duration
	for _, t := range tallies {
		t.mu.Lock()
		out = append(out, of(t)...)
		t.mu.Unlock()
	}
	slices.Sort(out)
	return out
}
