package rules

import (
	"sort"

	"gatewright/schema/cadence"
)

// current is the obligation from the last doing as it stands at an instant:
// has is false while the gate is out of service, and when the period in force
// is of the other mode or has no due.
type current struct {
	has    bool
	anchor int64
	due    int64
	late   int64
	missed bool
}

// walkLast judges the obligations that count from the last doing. What the
// doings before settled is kept from call to call, as far as they are the same.
func (c *check) walkLast(e *Engine, now int64, w *walk) {
	parks := c.gate.intervals()
	same := 0
	if c.chainValid && c.chainParks == c.gate.version {
		for same < len(c.chainDoings) && same < len(c.doings) && c.chainDoings[same] == c.doings[same] {
			same++
		}
	}
	c.chainDoings, c.chainEnd = c.chainDoings[:same], c.chainEnd[:same]
	n := 0
	if same > 0 {
		n = c.chainEnd[same-1]
	}
	c.chain = c.chain[:n]
	for _, d := range c.doings[same:] {
		c.chain, _ = c.oblige(e, parks, c.anchor(len(c.chainDoings)), d.at, true, c.chain)
		c.chainDoings = append(c.chainDoings, d)
		c.chainEnd = append(c.chainEnd, len(c.chain))
	}
	c.chainValid, c.chainParks = true, c.gate.version

	all := c.chain[:len(c.chain):len(c.chain)]
	all, w.cur = c.oblige(e, parks, c.anchor(len(c.doings)), min(now, c.end), false, all)
	for i := range all {
		if all[i].word == wordMissed && all[i].late < c.end {
			w.misses = append(w.misses, all[i])
		}
	}
	w.closed = append(w.closed, all...)
	sort.SliceStable(w.closed, func(i, j int) bool {
		a, b := &w.closed[i], &w.closed[j]
		return a.due < b.due || a.due == b.due && a.closed < b.closed
	})
}

// anchor is what the obligation before doing i counts from.
func (c *check) anchor(i int) int64 {
	if i == 0 {
		return c.start
	}
	return c.doings[i-1].at
}

// oblige follows the obligation of anchor a up to t, which is the next doing,
// or only the instant at which one looks. A new one begins whenever the gate
// comes back or another period comes in force; what was missed is appended,
// and so is what the doing closed.
func (c *check) oblige(e *Engine, parks []interval, a, t int64, doing bool, out []obligation) ([]obligation, current) {
	first := sort.Search(len(parks), func(i int) bool { return parks[i].to > a })
	j := first // the interval in which the gate is, or the next
	for s := a; ; {
		if j < len(parks) && parks[j].from <= s {
			if s = parks[j].to; s > t {
				return out, current{}
			}
			j++
			continue
		}
		k := c.periodAt(s)
		end := int64(never)
		if k+1 < len(c.periods) {
			end = c.periods[k+1].from
		}
		if j < len(parks) {
			end = min(end, parks[j].from)
		}
		var cur current
		if k >= 0 && !c.periods[k].fixed {
			p := &c.periods[k]
			if due := p.dueFrom(e, parks[first:j], a); due != never {
				cur = current{has: true, anchor: a, due: due, late: due + p.grace}
			}
		}
		if cur.has && cur.late < end && cur.late <= t {
			cur.missed = true
			out = append(out, obligation{opens: a, due: cur.due, late: cur.late, closed: cur.late, word: wordMissed})
		}
		if end > t {
			if doing && cur.has && !cur.missed {
				o := obligation{opens: a, due: cur.due, late: cur.late, closed: t, word: wordDone}
				if t >= cur.due {
					o.word = wordLate
				}
				out = append(out, o)
			}
			return out, cur
		}
		s = end
	}
}

// dueFrom is when the obligation of anchor a is due by period p, after the
// intervals during which its time did not run.
func (p *period) dueFrom(e *Engine, parks []interval, a int64) int64 {
	due := p.add(e, a)
	if due == cadence.Never {
		return never
	}
	for _, i := range parks {
		if i.from <= a {
			due = i.to + (due - a)
		} else {
			due = i.to + max(0, due-i.from)
		}
	}
	return max(due, p.from)
}

// lastItem is the due item of a cadence from the last doing; false when there
// is none.
func (c *check) lastItem(e *Engine, v *view, now int64, w *walk, item *Item) bool {
	cur := &w.cur
	if !cur.has {
		return false
	}
	item.take(obligation{opens: cur.anchor, due: cur.due, late: cur.late})
	v.soon(now, cur.due)
	v.soon(now, cur.late)
	switch today, tomorrow := e.dayOf(now); {
	case now >= cur.late:
		item.State, item.Missed = Overdue, 1
	case now >= cur.due:
		item.State = Late
	case len(c.doings) > 0 && c.last().at >= today && cur.due > tomorrow:
		item.State = DoneNow
		v.soon(now, tomorrow)
	default:
		item.dueOrOpen(e, v, now)
	}
	return true
}
