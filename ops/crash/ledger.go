package crash

import (
	"sync"

	"gatewright/schema/logbook"
)

// record is one entry that a phone saved.
type record struct {
	site  int // index into Trial.sites
	raw   string
	acked bool
}

// Ledger is the witness: what was saved on a phone, and what the server then acknowledged.
type Ledger struct {
	mu      sync.Mutex
	entries map[logbook.EntryID]*record
	fresh   []logbook.EntryID // acknowledged since the last call of newlyAcknowledged
	acked   int
}

func newLedger() *Ledger { return &Ledger{entries: map[logbook.EntryID]*record{}} }

// saved notes an entry that a phone told its person was saved.
func (l *Ledger) saved(site int, id logbook.EntryID, raw string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.entries[id] = &record{site: site, raw: raw}
}

// acknowledged notes that the server's heads cover an entry.
func (l *Ledger) acknowledged(id logbook.EntryID) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if r := l.entries[id]; r != nil && !r.acked {
		r.acked = true
		l.acked++
		l.fresh = append(l.fresh, id)
	}
}

// newlyAcknowledged gives what was acknowledged since it was asked last.
func (l *Ledger) newlyAcknowledged() []logbook.EntryID {
	l.mu.Lock()
	defer l.mu.Unlock()
	out := l.fresh
	l.fresh = nil
	return out
}

// counts gives how many entries were saved, and how many of them acknowledged.
func (l *Ledger) counts() (saved, acked int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.entries), l.acked
}

// of gives the entries of one site.
func (l *Ledger) of(site int) map[logbook.EntryID]record {
	l.mu.Lock()
	defer l.mu.Unlock()
	out := map[logbook.EntryID]record{}
	for id, r := range l.entries {
		if r.site == site {
			out[id] = *r
		}
	}
	return out
}

func (l *Ledger) get(id logbook.EntryID) (record, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	r := l.entries[id]
	if r == nil {
		return record{}, false
	}
	return *r, true
}
