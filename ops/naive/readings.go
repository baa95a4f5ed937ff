package naive

import (
	"math/big"
	"slices"
)

// judged is a reading with the limits of its day.
type judged struct {
	*entry
	limits *limitsPeriod
	side   string // low, high, or "" when not outside
	doubt  string // low, high, or "" when not in doubt
	near   bool
	u      micro // that it was judged with
}

func (j judged) inside() bool { return j.side == "" && j.doubt == "" }

func (m *moment) readings(id string) []judged {
	list := []judged{}
	c := m.plan.Checks[id]
	if c.Kind != "number" {
		return list
	}
	for _, e := range m.done[id] {
		l := c.limitsAt(e.At)
		if e.Kind != "reading" || l == nil {
			continue
		}
		j := judged{entry: e, limits: l, u: l.U}
		if e.U != nil {
			j.u = *e.U
		}
		guard := l.guardOf(j.u)
		switch {
		case e.Marks == "below":
			j.side = "low"
		case e.Marks == "above":
			j.side = "high"
		case e.Value == nil:
		case l.Low != nil && *e.Value < *l.Low-guard:
			j.side = "low"
		case l.High != nil && *e.Value > *l.High+guard:
			j.side = "high"
		case guard > 0 && l.Low != nil && *e.Value <= *l.Low+guard:
			j.doubt = "low"
		case guard > 0 && l.High != nil && *e.Value >= *l.High-guard:
			j.doubt = "high"
		case l.Warn != nil && *l.Warn > 0:
			j.near = l.Low != nil && *e.Value < *l.Low+*l.Warn || l.High != nil && *e.Value > *l.High-*l.Warn
		}
		list = append(list, j)
	}
	return list
}

// guardOf is the guard band of an uncertainty.
func (l *limitsPeriod) guardOf(u micro) micro {
	if l.Guard == 0 || u == 0 {
		return 0
	}
	band := big.NewRat(int64(l.Guard), 1_000_000)
	return ratMillionths(band.Mul(band, big.NewRat(int64(u), 1_000_000)))
}

// worth is the value or the marks of a reading.
func (j judged) worth() any {
	if j.Value != nil {
		return *j.Value
	}
	return j.Marks
}

func (j judged) params() object {
	p := object{}
	if j.Value != nil {
		p["value"] = *j.Value
	} else {
		p["marks"] = j.Marks
	}
	j.putUnit(p)
	if j.limits.Low != nil {
		p["low"] = *j.limits.Low
	}
	if j.limits.High != nil {
		p["high"] = *j.limits.High
	}
	return p
}

func (j judged) putUnit(p object) {
	if j.limits.Unit != nil {
		p["unit"] = *j.limits.Unit
	}
}

// step is what one entry, or one break, says of a flag: it is found (again),
// or it is cleared. A step that says neither is passed over.
type step struct {
	at      int64
	entries []string
	found   bool
	clears  bool
	variant string
	params  object
}

// episodes are made of steps in their order, of what is there until stop. What
// clears a flag may come at that very instant.
func (m *moment) episodes(rule, target, severity string, stop int64, steps []step) []*flag {
	list := []*flag{}
	steps = slices.DeleteFunc(steps, func(s step) bool { return s.at > stop || s.at == stop && s.found })
	for i := 0; i < len(steps); i++ {
		if !steps[i].found {
			continue
		}
		raised, cleared, entries, latest := steps[i].at, never, []string{}, steps[i]
		for ; i < len(steps); i++ {
			if steps[i].found {
				latest = steps[i]
				entries = append(entries, latest.entries...)
			} else if steps[i].clears {
				cleared = steps[i].at
				entries = append(entries, steps[i].entries...)
				break
			}
		}
		key := "flag." + rule
		if latest.variant != "" {
			key += "." + latest.variant
		}
		list = append(list, m.raise(rule, target, key, severity, raised, cleared, entries, latest.params))
	}
	return list
}

func (m *moment) limit(id string) []*flag {
	steps := []step{}
	for _, j := range m.readings(id) {
		steps = append(steps, step{at: j.At, entries: []string{j.ID}, found: j.side != "", clears: j.inside(), variant: j.side, params: j.params()})
	}
	_, stop := m.plan.live(id)
	return m.episodes("limit", id, "act", stop, steps)
}

func (m *moment) doubt(id string) []*flag {
	steps := []step{}
	for _, j := range m.readings(id) {
		params := j.params()
		params["u"], params["guard"] = j.u, j.limits.Guard
		steps = append(steps, step{at: j.At, entries: []string{j.ID}, found: j.doubt != "", clears: j.doubt == "", variant: j.doubt, params: params})
	}
	_, stop := m.plan.live(id)
	return m.episodes("doubt", id, "watch", stop, steps)
}

func (m *moment) near(id string) []*flag {
	steps := []step{}
	for _, j := range m.readings(id) {
		params := j.params()
		if j.limits.Warn != nil {
			params["warn"] = *j.limits.Warn
		}
		steps = append(steps, step{at: j.At, entries: []string{j.ID}, found: j.near, clears: !j.near, params: params})
	}
	_, stop := m.plan.live(id)
	return m.episodes("near", id, "know", stop, steps)
}

func (m *moment) bad(id string) []*flag {
	steps := []step{}
	for _, e := range m.done[id] {
		bad := e.Kind == "tick" && e.Bad
		steps = append(steps, step{at: e.At, entries: []string{e.ID}, found: bad, clears: !bad, params: object{}})
	}
	_, stop := m.plan.live(id)
	return m.episodes("bad", id, "act", stop, steps)
}

// differ tells whether two consecutive readings contradict each other.
func differ(a, b judged) bool {
	within := int64(30)
	if b.limits.Within != nil {
		within = *b.limits.Within
	}
	if a.By == b.By || b.At-a.At > within*minute {
		return false
	}
	if a.side != "" && b.inside() || a.inside() && b.side != "" {
		return true
	}
	if a.Value == nil || b.Value == nil || a.Unit != b.Unit || b.limits.Agree == nil {
		return false
	}
	apart := *a.Value - *b.Value
	if apart < 0 {
		apart = -apart
	}
	return apart > *b.limits.Agree
}

func (m *moment) disagree(id string) []*flag {
	steps := []step{}
	readings := m.readings(id)
	for i := 1; i < len(readings); i++ {
		a, b := readings[i-1], readings[i]
		if !differ(a, b) {
			steps = append(steps, step{at: b.At, entries: []string{b.ID}, clears: true})
			continue
		}
		params := object{"a": a.worth(), "b": b.worth(), "by_a": a.By, "by_b": b.By, "at_a": a.At, "at_b": b.At}
		b.putUnit(params)
		steps = append(steps, step{at: b.At, entries: []string{a.ID, b.ID}, found: true, params: params})
	}
	_, stop := m.plan.live(id)
	return m.episodes("disagree", id, "watch", stop, steps)
}

// values are the judged readings that are numbers and not of the time in which
// the gate was being learnt.
func (m *moment) values(id string) []judged {
	learning := m.plan.Gates[m.plan.Checks[id].Gate].Learning
	return slices.DeleteFunc(m.readings(id), func(j judged) bool { return j.Value == nil || j.At < learning })
}
