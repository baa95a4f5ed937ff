package rules

import (
	"sort"

	"gatewright/schema/logbook"
)

// herd is how many animals went through a gate, by the summaries of milkings.
type herd struct {
	entries factList

	stale  bool
	active []*fact
	sums   []int64 // passages up to and including each of active
}

// changed takes note that f became active or stopped being so.
func (h *herd) changed(f *fact) {
	if n := len(h.active); !h.stale && f.active && (n == 0 || h.active[n-1].before(f)) {
		h.push(f)
		return
	}
	h.stale = true
}

func (h *herd) push(f *fact) {
	sum := f.passages
	if n := len(h.sums); n > 0 {
		sum += h.sums[n-1]
	}
	h.active, h.sums = append(h.active, f), append(h.sums, sum)
}

func (h *herd) refresh() {
	if !h.stale {
		return
	}
	h.stale, h.active, h.sums = false, h.active[:0], h.sums[:0]
	h.entries.active(h.push)
}

// after is the at of the summary at which n passages have come by those with
// at >= from; false when they have not.
func (h *herd) after(from, n int64) (int64, bool) {
	h.refresh()
	i := sort.Search(len(h.active), func(i int) bool { return h.active[i].at >= from })
	if i > 0 {
		n += h.sums[i-1]
	}
	// A summary may hold no passages at all: the sum stands still there.
	j := sort.Search(len(h.sums), func(j int) bool { return h.sums[j] >= n })
	j = max(j, i)
	if j == len(h.active) {
		return 0, false
	}
	return h.active[j].at, true
}

// isReaderPart says whether a part reads the animals' numbers.
func isReaderPart(p *logbook.Part) bool { return p.Type == "reader" }
