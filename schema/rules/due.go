package rules

import (
	"slices"
	"sort"

	"gatewright/schema/cadence"
	"gatewright/schema/logbook"
)

// dueItem puts the check's line of the due list in the view.
func (c *check) dueItem(e *Engine, v *view, now int64, w *walk) {
	k := c.periodAt(now)
	if k+1 < len(c.periods) {
		v.soon(now, c.periods[k+1].from)
	}
	for i := range w.grace { // also of a period before this one
		v.soon(now, w.grace[i].late)
	}
	if w.stands.has {
		v.soon(now, w.stands.due)
		v.soon(now, w.stands.late)
	}
	if k < 0 {
		return
	}
	p := &c.periods[k]
	item := Item{Check: c.id, Gate: c.plan.Gate, Part: c.plan.Part, Why: WhyCadence}
	if d := c.last(); d != nil {
		item.Last = &Done{At: d.at, By: d.by, Entry: d.id}
	}
	ok := true
	switch {
	case c.gate.out():
		item.State = Parked
		// A window that was done in advance still closes at its due.
		if n := len(c.doings); n > 0 {
			for i := range c.periods {
				if p := &c.periods[i]; p.style == fixedStyle {
					if due := p.bounds.next(now); due != cadence.Never && c.doings[n-1].at >= p.bounds.prev(now) {
						v.soon(now, due)
					}
				}
			}
		}
	case p.style == fixedStyle:
		ok = c.fixedItem(e, v, now, p, w, &item)
	case p.style == lastStyle:
		ok = c.lastItem(e, v, now, w, &item)
	default:
		ok = c.triggeredItem(now, w, &item)
	}
	if ok {
		v.due = append(v.due, item)
	}
}

func (i *Item) take(o obligation) { i.Opens, i.Due, i.Late = o.opens, o.due, o.late }

// dueOrOpen sets the state of an item whose due lies ahead: due today, or open.
func (i *Item) dueOrOpen(e *Engine, v *view, now int64) {
	if _, tomorrow := e.dayOf(now); i.Due <= tomorrow {
		i.State = DueNow
		return
	}
	i.State = Open
	v.soon(now, cadence.DayStart(e.loc, i.Due-1)) // the date that ends at or after due
}

// recheckItem asks to look again at a finding: the check has an open limit,
// bad or disagree flag in the view.
func (c *check) recheckItem(v *view, now int64) {
	if c.gate.out() {
		return
	}
	raised := int64(never)
	for i := range v.flags {
		switch f := &v.flags[i]; f.Rule {
		case ruleLimit, ruleBad, ruleDisagree:
			if !f.HasCleared {
				raised = min(raised, f.Raised)
			}
		}
	}
	if raised == never {
		return
	}
	due := raised + int64(c.plan.Recheck)*minuteMs
	item := Item{
		Check: c.id, Gate: c.plan.Gate, Part: c.plan.Part, Why: WhyRecheck,
		State: DueNow, Opens: raised, Due: due, Late: due,
	}
	if now >= due {
		item.State = Overdue
	}
	v.soon(now, due)
	v.due = append(v.due, item)
}

// completion counts the last of the closed windows, which are in order of due.
func completion(check string, closed []obligation) *Completion {
	if n := len(closed); n > completionSize {
		closed = closed[n-completionSize:]
	}
	if len(closed) == 0 {
		return nil
	}
	c := &Completion{Check: check, N: len(closed), From: closed[0].due, To: closed[len(closed)-1].due}
	for i := range closed {
		switch closed[i].word {
		case wordDone:
			c.Done++
		case wordLate:
			c.Late++
		case wordMissed:
			c.Missed++
		}
	}
	return c
}

// overdueEpisodes makes flags of the misses, which are by (late, due).
func (c *check) overdueEpisodes(misses []obligation) []episode {
	var out []episode
	parks := c.gate.intervals()
	for i := 0; i < len(misses); {
		m := &misses[i]
		ep := episode{
			rule: ruleOverdue, target: c.id, severity: Watch, raised: m.late, cleared: c.end,
			params: []Param{wholeParam("due", m.due)},
		}
		d := c.doingAfter(ep.raised)
		if d < len(c.doings) {
			ep.cleared = min(ep.cleared, c.doings[d].at)
		}
		if j := sort.Search(len(parks), func(j int) bool { return parks[j].from > ep.raised }); j < len(parks) {
			ep.cleared = min(ep.cleared, parks[j].from)
		}
		if d > 0 {
			last := c.doings[d-1]
			ep.params = append(ep.params, wholeParam("last", last.at))
			ep.entries = []logbook.EntryID{last.id}
		}
		n := int64(0)
		for i < len(misses) && misses[i].late < ep.cleared {
			n++
			i++
		}
		if n == 0 { // cleared as it was raised
			i++
			continue
		}
		ep.params = append(ep.params, wholeParam("missed", n))
		out = append(out, ep)
	}
	return slices.Clip(out)
}
