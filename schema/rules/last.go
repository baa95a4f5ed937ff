package rules

import (
	"slices"
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

// chain is what the doings so far did to the obligations that count from the
// last one: list[:ends[i]] is closed at doing i, whose at is ats[i].
type chain struct {
	list []obligation
	high []int64 // the greatest due up to each of list
	ats  []int64
	ends []int
}

// forget drops what an entry with this at may have changed.
func (c *chain) forget(at int64) {
	n := len(c.ats)
	if n == 0 || c.ats[n-1] < at {
		return
	}
	for n > 0 && c.ats[n-1] >= at {
		n--
	}
	c.cut(n)
}

// cut keeps what the first n doings did.
func (c *chain) cut(n int) {
	c.ats, c.ends = c.ats[:n], c.ends[:n]
	m := 0
	if n > 0 {
		m = c.ends[n-1]
	}
	c.list, c.high = c.list[:m], c.high[:m]
}

// append takes the next doing, which closed what was appended to list.
func (c *chain) append(list []obligation, at int64) {
	c.list = list
	for i := len(c.high); i < len(list); i++ {
		high := list[i].due
		if i > 0 {
			high = max(high, c.high[i-1])
		}
		c.high = append(c.high, high)
	}
	c.ats, c.ends = append(c.ats, at), append(c.ends, len(list))
}

// walkLast judges the obligations that count from the last doing.
func (c *check) walkLast(e *Engine, now, settled int64, w *walk) {
	parks := c.gate.intervals()
	for i := len(c.chain.ats); i < len(c.doings); i++ {
		at := c.doings[i].at
		list, _ := c.oblige(e, parks, c.anchor(i), at, true, c.chain.list)
		c.chain.append(list, at)
	}
	var tail []obligation
	tail, w.cur = c.oblige(e, parks, c.anchor(len(c.doings)), min(now, c.end), false, nil)
	c.gather(c.chain.list, c.chain.high, tail, settled, w)
}

// gather takes of closed obligations, in the order in which they closed, the
// last ones by due, and the misses that are not settled.
func (c *check) gather(list []obligation, high []int64, tail []obligation, settled int64, w *walk) {
	var some []obligation
	for i := len(tail) - 1; i >= 0; i-- {
		some = append(some, tail[i])
	}
	i := len(list) - 1
	for ; i >= 0; i-- {
		if list[i].closed <= settled && enough(some, high[i]) {
			break
		}
		if list[i].word != wordWaived {
			some = append(some, list[i])
		}
	}
	slices.Reverse(some)
	for i := range some {
		if o := &some[i]; o.word == wordMissed && o.late < c.end && o.late > settled {
			w.misses = append(w.misses, *o)
		}
	}
	w.closed = append(w.closed, some...)
}

// enough says whether so many obligations are due after an instant as
// Completion counts.
func enough(list []obligation, due int64) bool {
	n := 0
	for i := range list {
		if list[i].due > due {
			n++
		}
	}
	return n >= completionSize
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
		if k >= 0 && c.periods[k].style == lastStyle {
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
