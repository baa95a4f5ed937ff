package simulate

import (
	"gatewright/schema/logbook"
)

// profile is the character of a run. Rates of frames are in millionths, spans
// of time in ms.
type profile struct {
	phones, nodes, heals    int
	relays, hostiles        int
	start                   int64
	gap                     int64 // between two entries of a phone in a burst
	pause                   int64 // between two bursts of a phone, at most
	milking, every          int64 // people are about so long, so often
	burst                   int
	latency, slow           int64 // of a frame; the second for one in a hundred
	storeLatency            int64
	tickEvery, reconcile    int64
	loss, cut               int // frames: lost, or the link goes half open
	duplicate, reorder      int
	truncate, mangle        int
	storeError              int // calls of the store that fail
	troubleEvery            int64
	weights                 map[string]int // of the faults that come by themselves
	hintLoss, hintDuplicate int
	hintDelay               int64
	windowAtOnce            int // restores with which the window is opened at once
}

// troubles are the faults that come by themselves, with how often one comes
// when all are drawn alike.
var troubles = []struct {
	name   string
	weight int
}{
	{"partition", 10}, {"half_open", 8}, {"link_break", 10}, {"clock_skew", 3},
	{"power_loss", 8}, {"phone_crash", 24}, {"phone_backup", 4}, {"phone_restored", 2}, {"phone_full", 4},
	{"server_full", 3}, {"server_io", 10}, {"server_crash", 6},
	{"revoke", 1}, {"remove", 1}, {"server_backup", 3}, {"server_restored", 1}, {"meet", 10}, {"forge", 12},
}

// character draws the profile of a seed.
func (w *world) character() profile {
	r := w.rng
	sometimes := func(most int) int { // nothing, a little or a lot of it
		switch r.IntN(4) {
		case 0:
			return 0
		case 1:
			return 1 + r.IntN(max(most/10, 1))
		default:
			return 1 + r.IntN(most)
		}
	}
	p := profile{
		phones: 3 + r.IntN(4), nodes: 1, heals: 3 + r.IntN(4), relays: r.IntN(2), hostiles: r.IntN(2),
		gap: int64(50 + r.IntN(8000)), burst: 1 + r.IntN(12),
		latency: int64(2 + r.IntN(200)), slow: int64(100 + r.IntN(6000)), storeLatency: int64(1 + r.IntN(150)),
		loss: sometimes(12_000), cut: sometimes(3_000), duplicate: sometimes(15_000), reorder: sometimes(15_000),
		truncate: sometimes(4_000), mangle: sometimes(4_000), storeError: sometimes(8_000),
		weights:  map[string]int{},
		hintLoss: sometimes(500_000), hintDuplicate: sometimes(200_000), hintDelay: int64(1 + r.IntN(5000)),
	}
	p.windowAtOnce = []int{0, 500_000, 1_000_000}[r.IntN(3)]
	if w.cfg.Phones > 0 {
		p.phones = w.cfg.Phones
	}
	if r.IntN(3) == 0 {
		p.nodes, p.reconcile = 2, int64(10_000+r.IntN(110_000))
	}
	// A run lasts some weeks, and begins near the end of a month. People are
	// about for an hour or less at a time, and then not for long.
	span := int64(3+r.IntN(60)) * 24 * 3600_000
	p.start = 1_769_900_000_000 + int64(r.IntN(3*24*3600_000)) // about 2026-01-31
	p.milking = int64(10+r.IntN(50)) * 60_000
	p.pause = 60_000 + int64(r.IntN(15*60_000))
	each := p.milking / (p.pause/4 + p.gap) * int64(p.burst+1) / 2 * int64(p.phones) // entries of a milking
	milkings := int64(w.cfg.Entries)/max(each, 1) + 1
	p.every = p.milking + span/milkings
	p.tickEvery = max(1000, min(span/20_000, 30_000))
	busy := p.milking * milkings
	p.troubleEvery = max(busy/int64(max(w.cfg.Entries/(4+r.IntN(20)), 4)), 1000)
	for _, t := range troubles {
		p.weights[t.name] = t.weight * []int{0, 1, 1, 3}[r.IntN(4)]
	}
	return p
}

// planStart is from when the plan is in force.
const planStart = 1_767_225_600_000 // 2026-01-01

// longAgo is since when most people have access: a clock that is far behind
// still falls into it.
const longAgo = logbook.FirstInstant
