package hub_test

import "testing"

// BenchmarkDelivery: fifty peers of one month, each entry to be judged, stored
// and passed on to all. Peers and store are in the same goroutine, so this is
// an upper bound of what the hub needs.
func BenchmarkDelivery(b *testing.B) {
	l := newLab(b)
	var peers []*peer
	for n := range 50 {
		p := l.peer(l.enrol(n+1, "crew"))
		p.connect()
		p.open(november)
		peers = append(peers, p)
	}
	l.settle(10_000)
	b.ResetTimer()
	for i := range b.N {
		peers[i%50].tick()
		l.now += 10
		l.settle(10_000)
		l.trace, l.times, l.said = nil, nil, nil
	}
	l.wantSame(november, peers...)
}
