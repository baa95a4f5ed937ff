package naive

// longSeries are readings and milkings over weeks, which drift, step, wander
// or stay, are rounded finely or coarsely, and are broken where something was
// renewed.
func (m *maker) longSeries() {
	for _, id := range m.checks {
		if m.planned[id].(object)["kind"] == "number" {
			m.readingSeries(id)
		}
	}
	for _, gate := range m.gates {
		if m.chance(70) {
			m.milkingSeries(gate)
		}
	}
	if m.chance(60) {
		at, seen := m.instant(), pick(m, []string{"stuck-leaf", "air-leak"})
		for range 3 + m.IntN(4) {
			m.add(object{"kind": "fault", "gate": m.gates[0], "seen": seen, "at": at})
			at += pick(m, []int64{0, 5 * day, 10 * day, 10 * day, 15 * day, 15*day - 1, 20 * day})
		}
	}
	for range m.IntN(4) {
		m.add(object{"kind": "fitted", "part": pick(m, m.parts), "item": "new", "at": m.instant()})
	}
}

// begin is the instant of the first of a series, often such that a later one
// comes at the very instant from which on the gate is known.
func (m *maker) begin(gate string, apart int64) int64 {
	if learning := m.site.plan.Gates[gate].Learning; learning > 0 && m.chance(70) {
		return learning - apart*m.Int64N(4)
	}
	return m.from + m.Int64N(5*day)
}

// readingSeries are those of one check, mostly at even distances.
func (m *maker) readingSeries(id string) {
	n := pick(m, []int{12, 25, 40, 60})
	apart := pick(m, []int64{hour, 6 * hour, day, day, 2 * day})
	at := m.begin(m.planned[id].(object)["gate"].(string), apart)
	level := pick(m, []float64{6.1, 6.5, 7, 7, 7.2})
	noise := pick(m, []float64{0, 0.02, 0.1, 0.1, 0.4})
	grain := pick(m, []int64{1, 10_000, 50_000, 250_000, 500_000})
	slope, step, wander := 0.0, 0.0, 0.0
	switch m.IntN(7) {
	case 0, 1, 2:
		noise = pick(m, []float64{0, 0.01, 0.02, 0.05, 0.1})
		grain = pick(m, []int64{1, 1, 10_000, 50_000})
		slope = pick(m, []float64{-0.02, 0.02, 0.005, -0.005, 0.1, -0.1})
	case 3, 4:
		step = pick(m, []float64{-0.2, 0.2, 0.5, -1, 1})
		noise = pick(m, []float64{0.02, 0.05})
		if l := m.site.plan.Checks[id].limitsAt(m.to); l != nil && l.High != nil && m.chance(50) {
			step = float64(*l.High)/1_000_000 - level
		}
	case 5:
		wander = noise + 0.01
	}
	stepAt := 20 + m.IntN(20)
	for i := range n {
		level += slope + wander*m.NormFloat64()
		if i == stepAt {
			level += step
		}
		at += apart
		switch m.IntN(20) {
		case 0:
			at += m.Int64N(day)
		case 1:
			at -= apart // at one instant with the one before
		}
		if at > m.to+day {
			break
		}
		value := int64((level + noise*m.NormFloat64()) * 1_000_000)
		e := object{"kind": "reading", "check": id, "at": at, "unit": m.unitAt(id, at), "value": micro(floorDiv(value, grain) * grain)}
		switch m.IntN(60) {
		case 0:
			e["baseline"] = true
		case 1:
			delete(e, "value")
			e["marks"] = pick(m, []string{"between", "above"})
			if m.chance(50) {
				e["baseline"] = true
			}
		case 2:
			e["u"] = micro(200_000)
		}
		m.add(e)
	}
}

// milkingSeries are those of one gate, whose rate falls or does not.
func (m *maker) milkingSeries(gate string) {
	n := pick(m, []int{5, 8, 40, 60})
	at := m.begin(gate, 12*hour)
	before, after := 98, pick(m, []int{98, 97, 92, 70})
	if m.chance(20) {
		before = 90
	}
	turn := pick(m, []int{4, 20, 34, 45})
	exact := m.chance(40) // falls by whole percentage points
	if exact {
		before, after = 98, pick(m, []int{96, 90})
	}
	for i := range n {
		percent := before
		if i >= turn {
			percent = after
		}
		e := object{"at": at}
		m.milking(e, gate, pick(m, []int64{0, 40, 120, 120, 200}), percent)
		if exact {
			e["passages"], e["read"], e["sorted"] = int64(100), int64(percent), int64(1)
		}
		m.add(e)
		at += pick(m, []int64{0, 12 * hour, 12 * hour, 12 * hour, day})
	}
}
