package main

import (
	"fmt"
	"math/rand/v2"
	"time"

	"gatewright/schema/logbook"
	"gatewright/schema/num"
)

// author is who an entry names.
type author struct{ person, device string }

// entry is one entry to be written: number n of the run, by one phone of one document.
type entry struct {
	n, doc, phone int
	id            string
	raw           string // canonical JSON
}

// pen makes entries as a crew does: mostly ticks, some readings, the mode before a milking, now and then a note.
type pen struct {
	rand *rand.Rand
}

func newPen(seed uint64) *pen { return &pen{rand: rand.New(rand.NewPCG(seed, 20261125))} }

// notes are what people write; the lengths are a guess.
var notes = []string{
	"Leaf a little slow on the way back, watch it.",
	"Hose rubs at the bracket.",
	"Washed down early, photocells wiped after.",
	"Reader missed two in a row, both tags old.",
}

// write makes one entry, recorded at the given instant.
func (p *pen) write(at time.Time, by author) (id, raw string, err error) {
	var random [10]byte
	for i := range random {
		random[i] = byte(p.rand.UintN(256))
	}
	e := logbook.Entry{ID: logbook.NewEntryID(at.UnixMilli(), random), V: 1, At: at.UnixMilli() - int64(p.rand.IntN(600_000)),
		By: by.person, Dev: by.device}
	switch n := p.rand.IntN(20); {
	case n < 14:
		e.Kind, e.Check = logbook.Tick, fmt.Sprintf("a%02d", 5+p.rand.IntN(20))
	case n < 17:
		e.Kind, e.Check, e.HasValue, e.Unit = logbook.Reading, "a10", true, "bar"
		e.Value = num.Micro(int64(680+p.rand.IntN(60)) * 10_000)
	case n < 19:
		e.Kind, e.Gate, e.Mode, e.Check = logbook.ModeSeen, "a", "automatic", "a04"
	default:
		e.Kind, e.Gate, e.Text = logbook.Note, "a", notes[p.rand.IntN(len(notes))]
	}
	b, err := e.Encode()
	if err != nil {
		return "", "", fmt.Errorf("making an entry: %w", err)
	}
	return string(e.ID), string(b), nil
}

// draw makes entries for all phones of all documents in turn, a millisecond apart, up to the instant given.
func (p *pen) draw(count, docs, perDoc int, until time.Time, by func(doc, phone int) author) ([]entry, error) {
	out := make([]entry, count)
	for n := range out {
		e := entry{n: n, doc: n % docs, phone: n / docs % perDoc}
		var err error
		at := until.Add(time.Duration(n-count) * time.Millisecond)
		if e.id, e.raw, err = p.write(at, by(e.doc, e.phone)); err != nil {
			return nil, err
		}
		out[n] = e
	}
	return out, nil
}
