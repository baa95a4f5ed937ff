package rules

import (
	"cmp"
	"slices"

	"gatewright/schema/cadence"
)

// completionSize is how many closed windows Completion looks at.
const completionSize = 14

// byDue sorts for Completion; what is equal stays in the order of its styles.
func byDue(a, b obligation) int {
	return cmp.Or(cmp.Compare(a.due, b.due), cmp.Compare(a.closed, b.closed))
}

func byLate(a, b obligation) int {
	return cmp.Or(cmp.Compare(a.late, b.late), cmp.Compare(a.due, b.due))
}

// settledBefore is an instant such that a miss up to it shows nowhere any
// more: the last doing or park that a cleared flag's stay in the list cannot
// outlast, or the check's start.
func (c *check) settledBefore(now int64) int64 {
	settled := c.start - 1 // something can be asked for and missed at the start itself
	if i := c.doingAfter(now - keepMs + 1); i > 0 {
		settled = max(settled, c.doings[i-1].at)
	}
	parks := c.gate.intervals()
	for i := len(parks) - 1; i >= 0; i-- {
		if parks[i].from <= now-keepMs {
			return max(settled, parks[i].from)
		}
	}
	return settled
}

// walkFixed judges the windows of fixed cadences from now backwards. It stops
// when it has enough of closed ones and what is left can only hold misses that
// were settled long ago.
func (c *check) walkFixed(now, settled int64, live bool, w *walk) {
	limit := min(now, c.end)
	var grace int64
	for i := range c.periods {
		grace = max(grace, c.periods[i].grace)
	}
	for i := len(c.periods) - 1; i >= 0; i-- {
		p := &c.periods[i]
		if p.style != fixedStyle {
			continue
		}
		lo := max(p.from, c.start)
		b := p.bounds.prev(min(p.until, limit))
		for b > lo {
			if b+grace <= settled && (!live || len(w.closed) >= completionSize) {
				break
			}
			before := p.bounds.prev(b - 1)
			c.judge(obligation{opens: max(before, lo), due: b, late: b + p.grace}, limit, w)
			b = before
		}
	}
	slices.Reverse(w.closed)
}

// judge finds out what became of one window whose due has come.
func (c *check) judge(o obligation, limit int64, w *walk) {
	var done int64 = never
	if i := c.doingAfter(o.opens); i < len(c.doings) {
		done = c.doings[i].at
	}
	switch {
	case done < o.due:
		o.closed, o.word = o.due, wordDone
	case done < o.late:
		o.closed, o.word = done, wordLate
	case c.gate.outWithin(o.due, o.late):
		return // waived
	case o.late <= limit:
		o.closed, o.word = o.late, wordMissed
		if o.late < c.end {
			w.misses = append(w.misses, o)
		}
	default:
		w.grace = append(w.grace, o)
		return
	}
	w.closed = append(w.closed, o)
}

// fixedItem is the due item of a fixed cadence; false when there is none.
func (c *check) fixedItem(e *Engine, v *view, now int64, p *period, w *walk, item *Item) bool {
	due := p.bounds.next(now)
	opens := max(p.bounds.prev(now), c.start, p.from)
	last := c.last()
	done := due != cadence.Never && last != nil && last.at >= opens
	if due != cadence.Never {
		v.soon(now, due)
	}

	cleared := int64(cadence.Before) // misses up to then are settled
	if last != nil {
		cleared = last.at
	}
	if parks := c.gate.intervals(); len(parks) > 0 {
		cleared = max(cleared, parks[len(parks)-1].from)
	}
	missed := w.fixed
	for len(missed) > 0 && missed[0].late <= cleared {
		missed = missed[1:]
	}
	switch {
	case len(missed) > 0:
		item.State, item.Missed = Overdue, len(missed)
		item.take(missed[0])
	case len(w.grace) > 0:
		item.State = Late
		item.take(slices.MinFunc(w.grace, func(a, b obligation) int { return cmp.Compare(a.due, b.due) }))
	case due == cadence.Never:
		return false
	default:
		item.take(obligation{opens: opens, due: due, late: due + p.grace})
		if done {
			item.State = DoneNow
		} else {
			item.dueOrOpen(e, v, now)
		}
	}
	return true
}
