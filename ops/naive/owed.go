package naive

import (
	"slices"
	"sort"
)

// owed is one window of a fixed cadence or one obligation.
type owed struct {
	opens, due, late int64
	last             bool   // from the last time, not a window
	after            bool   // after something happened
	outcome          string // done, late, missed, waived; "" not settled
	closed           int64  // instant at which the outcome stood, of the first three
}

// windows are the counted fixed windows of a check that are due by now.
func (m *moment) windows(id string) []owed {
	list := []owed{}
	c := m.plan.Checks[id]
	start, stop := m.plan.live(id)
	for k, p := range c.cadence {
		if p.Mode != "fixed" {
			continue
		}
		opens := max(start, p.From)
		for _, due := range m.boundaries(id, k, m.now) {
			if due > m.now || due > c.nextFrom(k) {
				break
			}
			w := owed{opens: opens, due: due, late: due + p.Grace*minute}
			m.settle(&w, id, stop)
			list = append(list, w)
			opens = due
		}
	}
	return list
}

func (m *moment) settle(w *owed, id string, stop int64) {
	for _, e := range m.done[id] {
		if w.opens <= e.At && e.At < w.due {
			w.outcome, w.closed = "done", w.due
			return
		}
	}
	for _, e := range m.done[id] {
		if w.due <= e.At && e.At < w.late {
			w.outcome, w.closed = "late", e.At
			return
		}
	}
	switch {
	case m.outWithin(m.plan.Checks[id].Gate, w.due, min(m.now, w.late)):
		w.outcome = "waived"
	case w.late <= m.now && w.late < stop:
		w.outcome, w.closed = "missed", w.late
	}
}

// anchor is the last doing's instant, or the check's start.
func (m *moment) anchor(id string) int64 {
	if list := m.done[id]; len(list) > 0 {
		return list[len(list)-1].At
	}
	start, _ := m.plan.live(id)
	return start
}

// obligation is what is owed at instant t, counted from an anchor, as the
// parks that began by t leave it; none while the gate is out or when the
// period in force at t is not one from the last time.
func (m *moment) obligation(id string, anchor, t int64) (owed, bool) {
	c := m.plan.Checks[id]
	k := c.periodAt(t)
	if k < 0 || c.cadence[k].Mode != "last" || m.outAt(c.Gate, t) {
		return owed{}, false
	}
	p := c.cadence[k]
	due := m.add(anchor, p.Every, p.N)
	if due == never {
		return owed{}, false
	}
	for _, park := range m.parks[c.Gate] {
		switch {
		case park.from > t:
		case park.from <= anchor && anchor < park.to:
			due = park.to + (due - anchor)
		case park.from > anchor:
			due = park.to + max(0, due-park.from)
		}
	}
	due = max(due, p.From)
	return owed{opens: anchor, due: due, late: due + p.Grace*minute, last: true}, true
}

// obligations are all that from-the-last periods of a check ever owed and that
// closed by now. From one doing to the next, time is cut wherever a park
// begins or ends and wherever a period comes in force; each stretch in use
// owes its own.
func (m *moment) obligations(id string) []owed {
	list := []owed{}
	c := m.plan.Checks[id]
	start, stop := m.plan.live(id)
	limit := min(m.now, stop)
	anchors := []int64{start}
	for _, e := range m.done[id] {
		anchors = append(anchors, e.At)
	}
	for i, anchor := range anchors {
		next := never
		if i+1 < len(anchors) {
			next = anchors[i+1]
		}
		cuts := map[int64]bool{anchor: true}
		for _, park := range m.parks[c.Gate] {
			cuts[park.from], cuts[park.to] = true, true
		}
		for _, from := range c.froms() {
			cuts[from] = true
		}
		stretches := []int64{}
		for _, t := range sortedInstants(cuts) {
			if anchor <= t && t <= next && t != never {
				stretches = append(stretches, t)
			}
		}
		for j, from := range stretches {
			o, ok := m.obligation(id, anchor, from)
			if !ok {
				continue
			}
			lastStretch := j+1 == len(stretches)
			switch {
			case !lastStretch && o.late < stretches[j+1],
				lastStretch && o.late <= next:
				if o.late <= m.now && o.late < stop {
					o.outcome, o.closed = "missed", o.late
				}
			case lastStretch && next <= limit && next < o.due:
				o.outcome, o.closed = "done", next
			case lastStretch && next <= limit:
				o.outcome, o.closed = "late", next
			}
			if o.outcome != "" {
				list = append(list, o)
			}
		}
	}
	return list
}

// everything is windows and obligations together, in this order; it is asked
// for twice.
func (m *moment) everything(id string) []owed {
	if list, ok := m.owed[id]; ok {
		return list
	}
	triggered, _ := m.after(id)
	m.owed[id] = slices.Concat(m.windows(id), m.obligations(id), triggered)
	return m.owed[id]
}

// misses by (late, due).
func misses(list []owed) []owed {
	missed := []owed{}
	for _, o := range list {
		if o.outcome == "missed" {
			missed = append(missed, o)
		}
	}
	sort.SliceStable(missed, func(i, j int) bool {
		a, b := missed[i], missed[j]
		return a.late < b.late || a.late == b.late && a.due < b.due
	})
	return missed
}

func (m *moment) liveNow(id string) bool {
	start, stop := m.plan.live(id)
	return start <= m.now && m.now < stop
}

// completion counts the last 14 that closed, per live check.
func (m *moment) completion() []any {
	list := []any{}
	for _, id := range sortedKeys(m.plan.Checks) {
		if !m.liveNow(id) || len(m.plan.Checks[id].cadence) == 0 {
			continue
		}
		closed := []owed{}
		for _, o := range m.everything(id) {
			if o.outcome != "" && o.outcome != "waived" && o.closed <= m.now {
				closed = append(closed, o)
			}
		}
		// They stand by kinds already, and by their anchors.
		sort.SliceStable(closed, func(i, j int) bool {
			a, b := closed[i], closed[j]
			return a.due < b.due || a.due == b.due && a.closed < b.closed
		})
		if len(closed) > 14 {
			closed = closed[len(closed)-14:]
		}
		if len(closed) == 0 {
			continue
		}
		count := map[string]int64{}
		for _, o := range closed {
			count[o.outcome]++
		}
		list = append(list, object{
			"check": id, "n": int64(len(closed)),
			"done": count["done"], "late": count["late"], "missed": count["missed"],
			"from": closed[0].due, "to": closed[len(closed)-1].due,
		})
	}
	return list
}

// due is the due list.
func (m *moment) due(flags []*flag) []any {
	type item struct {
		due        int64
		check, why string
		fields     object
	}
	items := []item{}
	for _, id := range sortedKeys(m.plan.Checks) {
		if !m.liveNow(id) {
			continue
		}
		if f, ok := m.cadenceItem(id); ok {
			due, _ := f["due"].(int64)
			if f["state"] == "parked" {
				due = never
			}
			items = append(items, item{due, id, "cadence", f})
		}
		if f, ok := m.recheckItem(id, flags); ok {
			items = append(items, item{f["due"].(int64), id, "recheck", f})
		}
	}
	sort.SliceStable(items, func(i, j int) bool {
		a, b := items[i], items[j]
		if a.due != b.due {
			return a.due < b.due
		}
		if a.check != b.check {
			return a.check < b.check
		}
		return a.why < b.why
	})
	list := []any{}
	for _, i := range items {
		list = append(list, i.fields)
	}
	return list
}

func (m *moment) cadenceItem(id string) (object, bool) {
	c := m.plan.Checks[id]
	k := c.periodAt(m.now)
	if k < 0 {
		return nil, false
	}
	item := object{"check": id, "gate": c.Gate, "why": "cadence"}
	put(item, "part", c.Part)
	var last *entry
	if list := m.done[id]; len(list) > 0 {
		last = list[len(list)-1]
		item["last"] = object{"at": last.At, "by": last.By, "entry": last.ID}
	}
	if m.outAt(c.Gate, m.now) {
		item["state"] = "parked"
		return item, true
	}
	show := func(state string, o owed) (object, bool) {
		item["state"], item["opens"], item["due"], item["late"] = state, o.opens, o.due, o.late
		return item, true
	}
	soon := func(o owed) (object, bool) {
		if o.due <= m.nextDay(m.now) {
			return show("due", o)
		}
		return show("open", o)
	}

	if c.cadence[k].Mode == "after" {
		return m.afterItem(id, item)
	}
	if c.cadence[k].Mode == "last" {
		o, ok := m.obligation(id, m.anchor(id), m.now)
		switch {
		case !ok:
			return nil, false // a cadence by milkings, and no milkings
		case m.now >= o.late:
			item["missed"] = int64(1)
			return show("overdue", o)
		case m.now >= o.due:
			return show("late", o)
		case last != nil && last.At >= m.dayStart(m.now) && o.due > m.nextDay(m.now):
			return show("done", o)
		}
		return soon(o)
	}

	windows := m.windows(id)
	open := []owed{}
	for _, w := range misses(windows) {
		if last != nil && last.At >= w.late {
			continue
		}
		if m.outWithin(c.Gate, w.late, m.now) {
			continue
		}
		open = append(open, w)
	}
	if len(open) > 0 {
		item["missed"] = int64(len(open))
		return show("overdue", open[0])
	}
	var graced *owed
	for i, w := range windows {
		if w.outcome == "" && (graced == nil || w.due < graced.due) {
			graced = &windows[i]
		}
	}
	if graced != nil {
		return show("late", *graced)
	}
	start, _ := m.plan.live(id)
	now := owed{opens: max(start, c.cadence[k].From), due: m.boundaryAfter(id, k, m.now)}
	if now.due == never {
		return nil, false
	}
	for _, b := range m.boundaries(id, k, m.now) {
		if b <= m.now {
			now.opens = b
		}
	}
	now.late = now.due + c.cadence[k].Grace*minute
	for _, e := range m.done[id] {
		if e.At >= now.opens {
			return show("done", now)
		}
	}
	return soon(now)
}

func (m *moment) recheckItem(id string, flags []*flag) (object, bool) {
	c := m.plan.Checks[id]
	raised := never
	for _, f := range flags {
		if f.fields["check"] == id && f.cleared > m.now && (f.rule == "limit" || f.rule == "bad" || f.rule == "disagree") {
			raised = min(raised, f.raised)
		}
	}
	if raised == never || m.outAt(c.Gate, m.now) {
		return nil, false
	}
	due := raised + c.recheck()*minute
	state := "due"
	if m.now >= due {
		state = "overdue"
	}
	item := object{"check": id, "gate": c.Gate, "why": "recheck", "state": state, "opens": raised, "due": due, "late": due}
	put(item, "part", c.Part)
	return item, true
}
