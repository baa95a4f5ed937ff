package naive

// after are the obligations of a check after something happened, in the order
// of their triggers, with what became of each by now; the last may not be
// settled yet. anchor is the instant after which the next trigger counts, or
// never when the anchor after the last obligation has not come.
func (m *moment) after(id string) (list []owed, anchor int64) {
	c := m.plan.Checks[id]
	start, stop := m.plan.live(id)
	anchor = start - 1
	for anchor < never {
		o, ok := m.firstTrigger(id, anchor)
		if !ok {
			break
		}
		var d *entry // the first doing from the trigger on
		for _, e := range m.done[id] {
			if e.At >= o.opens {
				d = e
				break
			}
		}
		anchor = never
		switch {
		case d != nil && d.At < o.due:
			o.outcome, o.closed, anchor = "done", d.At, d.At
		case d != nil && d.At < o.late: // and due has come
			o.outcome, o.closed, anchor = "late", d.At, d.At
		case o.due <= m.now && m.outWithin(c.Gate, o.due, min(m.now, o.late)):
			o.outcome = "waived"
			if o.late <= m.now {
				anchor = o.late
			}
		case o.late <= m.now && o.late < stop:
			o.outcome, o.closed = "missed", o.late
			if d != nil {
				anchor = d.At
			}
			for _, p := range m.parks[c.Gate] {
				if p.from > o.late {
					anchor = min(anchor, p.from)
				}
			}
		}
		list = append(list, o)
	}
	return list, anchor
}

// firstTrigger is what the first trigger after the anchor makes due.
func (m *moment) firstTrigger(id string, anchor int64) (owed, bool) {
	c := m.plan.Checks[id]
	start, stop := m.plan.live(id)
	found := owed{opens: never}
	for k, p := range c.cadence {
		try := func(t, due int64) {
			if anchor < t && start <= t && t < stop && p.From <= t && t < c.nextFrom(k) && t < found.opens {
				found = owed{opens: t, due: due, late: due + p.Grace*minute, after: true}
			}
		}
		switch p.Every {
		case "event":
			for _, e := range m.active {
				happened := e.Kind == "event" && e.Event == p.Event && (e.Gate == "" || e.Gate == c.Gate)
				if happened || p.Event == "visit" && closes(e, c.Gate) {
					try(e.At, e.At+p.After*minute)
				}
			}
		case "passages":
			sum := int64(0)
			for _, e := range m.kind("milking") {
				if e.Gate != c.Gate || e.At <= anchor || e.At < p.From {
					continue
				}
				if sum += e.Passages; sum >= p.N {
					try(e.At, e.At)
					break
				}
			}
		}
	}
	return found, found.opens < never
}

// afterItem completes an item of the due list by the obligation of now.
func (m *moment) afterItem(id string, item object) (object, bool) {
	list, anchor := m.after(id)
	if len(list) == 0 {
		return nil, false
	}
	o := list[len(list)-1]
	switch {
	case o.outcome == "missed" && anchor == never:
		item["state"], item["missed"] = "overdue", int64(1)
	case o.outcome != "":
		return nil, false
	case m.now < o.due:
		item["state"] = "due"
	case m.now < o.late:
		item["state"] = "late"
	default: // its late is not before the check's end
		return nil, false
	}
	item["opens"], item["due"], item["late"] = o.opens, o.due, o.late
	return item, true
}
