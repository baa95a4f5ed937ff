package graph

import (
	"encoding/binary"
	"slices"
	"testing"

	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// filter reads a filter that claims everything, as it comes from the network.
func filter(t testing.TB, entries, perEntry, probes int) wire.Have {
	t.Helper()
	raw := binary.AppendUvarint(nil, uint64(entries))
	raw = binary.AppendUvarint(raw, uint64(perEntry))
	raw = binary.AppendUvarint(raw, uint64(probes))
	raw = append(raw, slices.Repeat([]byte{0xff}, (entries*perEntry+7)/8)...)
	payload := binary.AppendUvarint([]byte{0x42, 0, 0, 1, 0}, uint64(len(raw)))
	m, err := wire.DecodeSync(append(append(payload, raw...), 0))
	if err != nil {
		t.Fatal(err)
	}
	return m.Have[0]
}

// What a message may cost is in proportion to the history, with a factor that
// the dearest filters allowed cannot move, however large they are; and what is
// kept of it is what came.
func TestEffortOfAMessage(t *testing.T) {
	w := &world{}
	g := New()
	const n = 5000
	for range n {
		add(t, g, w.node(g.Heads(), 0))
	}
	for name, c := range map[string]struct {
		have []wire.Have
		most int
	}{
		"no filter":             {nil, 3 * n},
		"empty filters":         {[]wire.Have{{}, {}}, 3 * n},
		"one of a stock client": {[]wire.Have{filter(t, 1000, 10, 7)}, (3 + 7) * n},
		"two of one bit":        {[]wire.Have{filter(t, 1, 1, 16), filter(t, 1, 1, 16)}, (3 + 2*16) * n},
		"two as large as can be": {[]wire.Have{filter(t, 200_000, 10, 16), filter(t, 32_000, 64, 16)},
			(3 + 2*16) * n},
		"of what nobody knows": {[]wire.Have{{LastSync: []change.Hash{{1}, {2}, {3}}}}, 3 * n},
	} {
		p := &Peer{}
		before := g.Effort()
		g.Receive(p, wire.SyncMessage{Heads: []change.Hash{{9}}, Need: []change.Hash{{8}}, Have: c.have})
		m, ok := g.Generate(p)
		if !ok {
			t.Errorf("%s: nothing is said", name)
		}
		if got := g.Effort() - before; got > c.most || got == 0 && len(c.have) > 0 && len(c.have[0].LastSync) == 0 {
			t.Errorf("%s: %d looked at, want at most %d", name, got, c.most)
		}
		kept, size := 32*3, 0
		for _, h := range c.have {
			size += len(h.LastSync)*32 + h.Bloom.Size()
		}
		if p.Size() < size || p.Size() > size+kept+32*len(m.Changes)+64 {
			t.Errorf("%s: %d are said to be kept of %d", name, p.Size(), size)
		}
		before = g.Effort()
		if g.Generate(p); g.Effort() != before {
			t.Errorf("%s: %d more for a message that is not due", name, g.Effort()-before)
		}
	}
}

// What waits for its deps counts as kept until it is dropped.
func TestSizeOfWhatWaits(t *testing.T) {
	w := &world{}
	p := &Peer{}
	n := w.node([]change.Hash{{1}}, 0)
	if !p.Hold(n) || p.Size() != len(n.Bytes) {
		t.Errorf("%d kept of %d", p.Size(), len(n.Bytes))
	}
	p.Discard(n.Hash)
	if p.Size() != 0 {
		t.Errorf("%d kept of nothing", p.Size())
	}
}
