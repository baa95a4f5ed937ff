package rules

// triggers is the chain of obligations after something happened, as far as
// the anchor after each has come: settled[i] depends on nothing later than
// anchors[i], which is what the next one counts from.
type triggers struct {
	settled []obligation // a waived one only leads to the next
	high    []int64      // the greatest due up to each
	anchors []int64
}

// forget drops what an entry with this at may have changed.
func (t *triggers) forget(at int64) {
	n := len(t.anchors)
	if n == 0 || t.anchors[n-1] < at {
		return
	}
	for n > 0 && t.anchors[n-1] >= at {
		n--
	}
	t.cut(n)
}

func (t *triggers) cut(n int) {
	t.settled, t.high, t.anchors = t.settled[:n], t.high[:n], t.anchors[:n]
}

func (t *triggers) append(o obligation, anchor int64) {
	high := o.due
	if n := len(t.high); n > 0 {
		high = max(high, t.high[n-1])
	}
	t.settled, t.high, t.anchors = append(t.settled, o), append(t.high, high), append(t.anchors, anchor)
}

// trigger is the first instant after a at which something happened that asks
// for the check, and its period.
func (c *check) trigger(a int64) (at int64, p *period) {
	at = never
	for i := range c.periods {
		q := &c.periods[i]
		if q.style != triggeredStyle {
			continue
		}
		from, until := max(a+1, q.from, c.start), min(q.until, c.end, at)
		if from >= until {
			continue
		}
		if q.events == nil {
			if t, ok := c.gate.herd.after(max(a+1, q.from), q.passages); ok && t >= from && t < until {
				at, p = t, q
			}
			continue
		}
		list := q.events.list
		for j := q.events.from(from); j < len(list) && list[j].at < until; j++ {
			if f := list[j]; f.active && (f.gate == "" || f.gate == c.plan.Gate) {
				at, p = f.at, q
				break
			}
		}
	}
	return at, p
}

// walkTriggered judges the obligations after something happened, one after
// the other.
func (c *check) walkTriggered(now, settled int64, w *walk) {
	t := &c.triggers
	for n := len(t.anchors); n > 0 && t.anchors[n-1] > now; n-- { // an earlier now
		t.cut(n - 1)
	}
	var tail []obligation
	a := c.start - 1
	if n := len(t.anchors); n > 0 {
		a = t.anchors[n-1]
	}
	for {
		at, p := c.trigger(a)
		if p == nil || at > now {
			break
		}
		o := obligation{opens: at, due: at + p.after, late: at + p.after + p.grace}
		d := int64(never)
		if i := c.doingAfter(at); i < len(c.doings) {
			d = c.doings[i].at
		}
		next := int64(never)
		switch {
		case d < o.due:
			o.closed, o.word, next = d, wordDone, d
		case d < o.late:
			o.closed, o.word, next = d, wordLate, d
		case o.due <= now && c.gate.outWithin(o.due, min(o.late, now)):
			o.closed, o.word, next = o.late, wordWaived, o.late
		case o.late <= min(now, c.end-1):
			o.closed, o.word = o.late, wordMissed
			next = min(d, c.gate.outAfter(o.late))
			if next > now {
				tail = append(tail, o)
				w.stands = current{has: true, anchor: at, due: o.due, late: o.late, missed: true}
			}
		default:
			w.stands = current{has: true, anchor: at, due: o.due, late: o.late}
		}
		if next > now {
			break
		}
		t.append(o, next)
		a = next
	}
	c.gather(t.settled, t.high, tail, settled, w)
}

// triggeredItem is the due item after something happened; false when there is
// none.
func (c *check) triggeredItem(now int64, w *walk, item *Item) bool {
	cur := &w.stands
	if !cur.has {
		return false
	}
	item.take(obligation{opens: cur.anchor, due: cur.due, late: cur.late})
	switch {
	case cur.missed:
		item.State, item.Missed = Overdue, 1
	case now >= cur.due:
		item.State = Late
	default:
		item.State = DueNow
	}
	return true
}
