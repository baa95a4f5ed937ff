package naive

import "sort"

// moment is the site as it stands at now: what is in force and not voided.
type moment struct {
	*Site
	now    int64
	future int64
	active []*entry            // by (at, id)
	odd    map[string]string   // entry id -> reason
	parks  map[string][]span   // gate -> out of service
	done   map[string][]*entry // check -> its doings by (at, id)
	owed   map[string][]owed   // check -> what everything gave
}

// span is [from, to).
type span struct{ from, to int64 }

func (s *Site) at(now int64) *moment {
	m := &moment{Site: s, now: now, odd: map[string]string{}, parks: map[string][]span{}, done: map[string][]*entry{}, owed: map[string][]owed{}}

	// Largest id first: whether an entry counts is known before anything that
	// it may void is looked at.
	undone := map[string]bool{}
	for i := len(s.entries) - 1; i >= 0; i-- {
		e := s.entries[i]
		if e.At > now {
			m.future++
			continue
		}
		if undone[e.ID] {
			continue
		}
		m.active = append(m.active, e)
		if e.Kind == "void" {
			undone[e.Of] = true
		}
		if e.Replaces != "" {
			undone[e.Replaces] = true
		}
	}
	sort.Slice(m.active, func(i, j int) bool {
		a, b := m.active[i], m.active[j]
		return a.At < b.At || a.At == b.At && a.ID < b.ID
	})

	for _, e := range m.active {
		if reason := s.plan.oddness(e); reason != "" {
			m.odd[e.ID] = reason
		}
	}

	for _, e := range m.kind("park") {
		list := m.parks[e.Gate]
		out := len(list) > 0 && list[len(list)-1].to == never
		switch {
		case e.Out && !out:
			m.parks[e.Gate] = append(list, span{e.At, never})
		case !e.Out && out && list[len(list)-1].from == e.At:
			m.parks[e.Gate] = list[:len(list)-1] // out and back at once: never out
		case !e.Out && out:
			list[len(list)-1].to = e.At
		}
	}

	for _, id := range sortedKeys(s.plan.Checks) {
		c := s.plan.Checks[id]
		start, stop := s.plan.live(id)
		for _, e := range m.active {
			if m.odd[e.ID] != "" || e.At < start || e.At >= stop {
				continue
			}
			if c.Kind == "visit" && closes(e, c.Gate) || c.Kind != "visit" && isDoing(e) && e.Check == id {
				m.done[id] = append(m.done[id], e)
			}
		}
	}
	return m
}

// closes tells whether an entry is the end of a visit to the gate, or to the
// whole site.
func closes(e *entry, gate string) bool {
	return e.Kind == "visit" && e.State == "closed" && (e.Gate == "" || e.Gate == gate)
}

// kind lists the active entries of a kind by (at, id).
func (m *moment) kind(kind string) []*entry {
	list := []*entry{}
	for _, e := range m.active {
		if e.Kind == kind {
			list = append(list, e)
		}
	}
	return list
}

func isDoing(e *entry) bool {
	switch e.Kind {
	case "tick", "reading", "indicator", "mode", "count":
		return e.Check != ""
	}
	return false
}

// oddness is the first reason why an entry cannot be what it says, or "".
func (p *plan) oddness(e *entry) string {
	c := p.Checks[e.Check]
	if e.Check != "" && c == nil {
		return "unknown-check"
	}
	if e.Gate != "" && p.Gates[e.Gate] == nil {
		return "unknown-gate"
	}
	if e.Part != "" && p.Parts[e.Part] == nil {
		return "unknown-part"
	}
	if !isDoing(e) {
		return ""
	}
	if e.Kind == "reading" && e.Value != nil {
		if l := c.limitsAt(e.At); l != nil && (l.Unit == nil || *l.Unit != e.Unit) {
			return "unit"
		}
	}
	fits := map[string]string{"look": "tick", "number": "reading", "mode": "mode", "indicator": "indicator", "count": "count"}
	if e.Kind == fits[c.Kind] || e.Kind == "tick" && c.Kind != "number" && c.Kind != "visit" {
		return ""
	}
	return "kind"
}

// outAt tells whether the gate is out of service at t.
func (m *moment) outAt(gate string, t int64) bool {
	for _, p := range m.parks[gate] {
		if p.from <= t && t < p.to {
			return true
		}
	}
	return false
}

// outWithin tells whether the gate is out of service at any instant of [a, b].
func (m *moment) outWithin(gate string, a, b int64) bool {
	for _, p := range m.parks[gate] {
		if p.from <= b && a < p.to {
			return true
		}
	}
	return false
}
