package naive

// candidates are all instants after now at which the output could be another
// for the first time, sorted: everything dated, the next of everything that
// comes again, and everything reckoned from those. What lies beyond the first
// change need not be there.
func (m *moment) candidates() []int64 {
	set := map[int64]bool{}
	add := func(some ...int64) {
		for _, t := range some {
			if t > m.now && t < never-keep {
				set[t] = true
			}
		}
	}
	// What is due is shown in another way from the local date before on.
	due := func(due, late int64) {
		if due < never-keep {
			add(due, late, m.dayStart(due), m.instant((m.date(due)-1)*day))
		}
	}
	add(m.nextDay(m.now))
	for _, e := range m.entries {
		add(e.At)
	}
	for _, g := range m.plan.Gates {
		add(g.Since, g.end())
	}
	for _, p := range m.plan.Parts {
		add(p.Since, p.end())
	}
	for _, period := range m.plan.milkings {
		add(period.From)
	}
	for _, f := range m.flags() {
		add(f.raised, f.cleared)
		if f.cleared < never {
			add(f.cleared + keep)
		}
		if id, ok := f.fields["check"].(string); ok && m.plan.Checks[id] != nil {
			add(f.raised + m.plan.Checks[id].recheck()*minute)
		}
	}
	for _, id := range sortedKeys(m.plan.Checks) {
		c := m.plan.Checks[id]
		add(c.Since, end(c.Retired))
		for _, period := range c.limits {
			add(period.From)
		}
		for _, o := range m.everything(id) {
			due(o.due, o.late)
		}
		for k, period := range c.cadence {
			add(period.From)
			if period.Mode == "fixed" {
				next := m.boundaryAfter(id, k, m.now)
				due(next, next+period.Grace*minute)
				several := 0
				for _, b := range m.boundaries(id, k, m.now+30*day) {
					if b+period.Grace*minute > m.now && several < 4 {
						due(b, b+period.Grace*minute)
					}
					if b > m.now {
						several++
					}
				}
			}
			// Dues from the last time done, as the parks known now leave them,
			// under this period, now or when it will have come.
			if o, ok := m.obligation(id, m.anchor(id), max(m.now, period.From)); ok {
				due(o.due, o.late)
				add(o.due - 14*day)
			}
		}
	}
	return sortedInstants(set)
}
