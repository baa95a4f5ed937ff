package rules

import (
	"cmp"
	"slices"
	"sort"

	"gatewright/schema/arrange"
	"gatewright/schema/logbook"
)

// The statistics of a check and of a gate look at runs: values one after the
// other between two breaks, at which a part was renewed or the like.

// cut is a break; entry is what made it, empty for a change of the plan.
type cut struct {
	at    int64
	entry logbook.EntryID
}

func compareCuts(a, b cut) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.entry, b.entry)) }

// cuts are breaks in order; those before next have begun the run of the value
// at hand or an earlier one.
type cuts struct {
	list []cut
	next int
}

// set gives the breaks anew, before the first value is taken.
func (c *cuts) set(list []cut) {
	arrange.By(list, compareCuts)
	c.list, c.next = slices.Compact(list), 0
}

// insert adds a break that comes after all values so far.
func (c *cuts) insert(x cut) {
	i := sort.Search(len(c.list), func(i int) bool { return compareCuts(c.list[i], x) > 0 })
	c.list = slices.Insert(c.list, i, x)
}

// pass goes by the breaks not after at, and returns the first of them.
func (c *cuts) pass(at int64) (cut, bool) {
	first := c.next
	for c.next < len(c.list) && c.list[c.next].at <= at {
		c.next++
	}
	if first == c.next {
		return cut{}, false
	}
	return c.list[first], true
}

// ahead is the first break after the values so far.
func (c *cuts) ahead() (cut, bool) {
	if c.next == len(c.list) {
		return cut{}, false
	}
	return c.list[c.next], true
}

// verdict is what a rule found at one value of a run, with the params of its
// flag; worked out when it is first asked for.
type verdict struct {
	known, found bool
	variant      string
	params       []Param
}

// verdicts are those of the values of a check or gate, in order.
type verdicts interface {
	size() int
	fact(i int) *fact
	at(i int) *verdict
	// after is the first break after value i and before the next, if any.
	after(i int) (cut, bool)
}

// showRuns shows the episodes that follow from the verdicts: raised at a value
// that found something, cleared by the next that did not, by a break, or at
// end. It looks back no further than is listed, so old values are never
// judged.
func (e *Engine) showRuns(v *view, now, end int64, vs verdicts, ep episode, gate, part, check string) {
	for i := vs.size() - 1; i >= 0; i-- {
		if vs.fact(i).at >= end {
			continue
		}
		found := vs.at(i)
		if !found.found {
			if vs.fact(i).at <= now-keepMs {
				return
			}
			continue
		}
		ep.variant, ep.params = found.variant, found.params
		ep.cleared, ep.entries = never, nil
		closer := cut{at: never}
		if b, ok := vs.after(i); ok {
			closer = b
		} else if i+1 < vs.size() && !vs.at(i+1).found { // else it comes after end
			f := vs.fact(i + 1)
			closer = cut{f.at, f.id}
		}
		ep.cleared = min(closer.at, end)
		if ep.cleared <= now-keepMs {
			return
		}
		if ep.cleared == closer.at && closer.entry != "" {
			ep.entries = append(ep.entries, closer.entry)
		}
		for {
			f := vs.fact(i)
			ep.raised = f.at
			ep.entries = append(ep.entries, f.id)
			if i == 0 {
				break
			}
			if _, broken := vs.after(i - 1); broken || !vs.at(i-1).found {
				break
			}
			i--
		}
		e.show(v, now, &ep, gate, part, check)
	}
}
