package rules

import "gatewright/schema/logbook"

// visitAhead is how long before its due a visit is told.
const visitAhead = 14 * dayMs

// showVisits shows the flag visit: one episode for each obligation from the
// last time, as it closed or as it stands.
func (c *check) showVisits(e *Engine, v *view, now int64) {
	if !c.has(lastStyle) {
		return
	}
	show := func(opens, due, closed int64) {
		ep := episode{
			rule: ruleVisit, target: c.id, severity: Know, raised: max(due-visitAhead, opens), cleared: min(closed, c.end),
			params: []Param{wholeParam("due", due)},
		}
		if d := c.doingAfter(ep.raised); d > 0 {
			last := c.doings[d-1]
			ep.params = append(ep.params, wholeParam("last", last.at))
			ep.entries = []logbook.EntryID{last.id}
		}
		e.show(v, now, &ep, c.plan.Gate, c.plan.Part, c.id)
	}
	tail, cur := c.oblige(e, c.gate.intervals(), c.anchor(len(c.doings)), min(now, c.end-1), false, nil)
	if cur.has && !cur.missed {
		show(cur.anchor, cur.due, cur.late)
	}
	for _, list := range [...][]obligation{tail, c.chain.list} {
		for i := len(list) - 1; i >= 0 && list[i].closed > now-keepMs; i-- {
			show(list[i].opens, list[i].due, list[i].closed)
		}
	}
}
