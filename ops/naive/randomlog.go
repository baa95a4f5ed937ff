package naive

import (
	"slices"
	"strings"
)

const crockford = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

func (m *maker) ulid(ms int64) string {
	text := ""
	for i := 45; i >= 0; i -= 5 {
		text += string(crockford[ms>>i&31])
	}
	for range 16 {
		text += string(crockford[m.IntN(32)])
	}
	return text
}

// log makes the entries.
func (m *maker) log(planJSON []byte) {
	n := pick(m, []int{0, 3, 8, 15, 30, 50})
	if m.series {
		n = pick(m, []int{0, 6, 12})
		m.longSeries()
	}
	for _, id := range m.checks {
		for _, p := range m.site.plan.Checks[id].cadence {
			for range m.IntN(6) {
				if p.Every == "passages" && n > 0 {
					e := object{"at": m.instant()}
					m.milking(e, m.planned[id].(object)["gate"].(string), pick(m, []int64{30, 50, 100}), 90)
					m.add(e)
				}
			}
		}
	}
	for i := range n {
		m.add(m.someEntry())
		if i%6 == 5 {
			m.learn(planJSON)
		}
	}
	// Acts on flags that there are, which only an evaluation can tell.
	for range m.IntN(3) * n / 10 {
		if flags := m.flagsAt(planJSON, m.to); len(flags) > 0 {
			for range 1 + m.IntN(4) {
				m.add(m.act(pick(m, flags)))
			}
		}
	}
	for range m.IntN(1+n/4) * m.IntN(2) {
		m.add(object{"kind": "void", "of": pick(m, m.ids), "at": m.instant()})
	}
}

// sofar is the site with the entries made by now.
func (m *maker) sofar(planJSON []byte, now int64) *moment {
	raws := [][]byte{}
	for _, e := range m.entries {
		raws = append(raws, write(e))
	}
	s, err := Open(planJSON, raws, nil)
	if err != nil {
		panic(err)
	}
	return s.at(now)
}

func (m *maker) flagsAt(planJSON []byte, now int64) []*flag {
	return m.sofar(planJSON, now).flags()
}

// learn adds instants that depend on what was done: when that which counts
// from the last time falls due, and when flags begin and end.
func (m *maker) learn(planJSON []byte) {
	known := m.sofar(planJSON, m.to)
	for _, id := range m.checks {
		if known.plan.Checks[id] == nil {
			continue
		}
		list := known.obligations(id)
		if o, ok := known.obligation(id, known.anchor(id), m.to); ok {
			list = append(list, o)
		}
		for range min(len(list), 3) {
			o := pick(m, list)
			m.note(o.due, o.late)
		}
		if list, _ := known.after(id); len(list) > 0 {
			o := pick(m, list)
			m.note(o.opens, o.due, o.late)
		}
	}
	if flags := known.flags(); len(flags) > 0 {
		f := pick(m, flags)
		m.note(f.raised, f.cleared)
	}
}

// note adds instants at which things may happen.
func (m *maker) note(some ...int64) {
	for _, t := range some {
		if m.from < t && t < m.to+3*day {
			m.pool = append(m.pool, t, t)
		}
	}
}

// add completes an entry with the common fields. Most are recorded when done,
// some long afterwards or before.
func (m *maker) add(e object) {
	if e == nil {
		return
	}
	at := e["at"].(int64)
	recorded := at
	switch m.IntN(8) {
	case 0:
		recorded = m.instant()
	case 1:
		recorded += m.Int64N(2 * hour)
	}
	id := m.ulid(recorded)
	// What is named must be older than what names it.
	for _, name := range []string{"of", "replaces"} {
		if named, ok := e[name].(string); ok && named >= id {
			recorded = m.recorded[named] + m.Int64N(2)*m.Int64N(hour) + 1
			id = m.ulid(recorded)
		}
	}
	if slices.Contains(m.ids, id) {
		return
	}
	e["id"], e["v"] = id, 1
	switch e["kind"] {
	case "clock", "milking", "receipt":
		e["by"], e["dev"] = "server", "server"
	default:
		who := string(crockford[m.IntN(3)])
		e["by"], e["dev"] = "p00000000"+who, "d00000000"+who
		if m.chance(15) {
			e["dev"] = "d00000000" + string(crockford[m.IntN(3)])
		}
	}
	m.entries = append(m.entries, e)
	m.ids = append(m.ids, id)
	m.recorded[id] = recorded
	m.pool = append(m.pool, at)
}

func (m *maker) someEntry() object {
	at := m.instant()
	gate := pick(m, m.gates)
	e := object{"at": at}
	var old object
	if len(m.entries) > 0 {
		old = pick(m, m.entries)
	}
	switch n := m.IntN(130); {
	case n >= 100:
		m.lately(e, gate, n-100)
	case n < 50:
		m.doing(e)
		if old != nil && m.chance(8) {
			e["replaces"] = old["id"]
		}
	case n < 56 && old != nil && old["value"] != nil && old["check"] != "c99":
		m.second(e, old)
	case n < 60:
		e["kind"], e["gate"], e["out"] = "park", gate, m.chance(50)
	case n < 68:
		e["kind"], e["gate"], e["mode"] = "mode", gate, pick(m, []string{"manual", "automatic"})
		if m.chance(30) {
			e["check"] = pick(m, m.checks)
		}
	case n < 74:
		e["kind"], e["gate"], e["seen"] = "fault", gate, pick(m, []string{"stuck-leaf", "stuck-leaf", "air-leak"})
		if len(m.parts) > 0 && m.chance(30) {
			e["part"] = pick(m, m.parts)
		}
		if m.chance(40) {
			e["stops"] = true
		}
	case n < 79:
		if old == nil {
			return nil
		}
		for _, f := range m.entries {
			if f["kind"] == "fault" && m.chance(60) {
				old = f
			}
		}
		e["kind"], e["of"] = "fixed", old["id"]
	case n < 85:
		e["kind"], e["device"] = "clock", pick(m, []string{"d000000000", "d000000001"})
		e["offset"] = pick(m, []int64{0, 119_999, 120_000, -120_000, -119_999, 3_600_000})
	case n < 91:
		if old == nil {
			return nil
		}
		e["kind"], e["of"] = "void", old["id"]
	case n < 94:
		e["kind"], e["flag"] = pick(m, []string{"take", "handback", "take"}), pick(m, []string{"overdue", "limit", "bad", "disagree", "near"})+"/"+pick(m, m.checks)
	case n < 97:
		e["kind"], e["text"] = "note", "x"
	default:
		e["kind"], e["gate"], e["hits"], e["trials"] = "count", gate, 3, 4
	}
	if e["visit"] == nil && m.chance(6) {
		e["visit"] = pick(m, visits)
	}
	if m.chance(4) {
		switch m.IntN(3) {
		case 0:
			e["check"] = "c99"
		case 1:
			e["gate"] = "g99"
		case 2:
			e["part"] = "p99"
		}
	}
	return e
}

var visits = []string{"v1", "v2"}

// lately is something of which not every day has one.
func (m *maker) lately(e object, gate string, n int) {
	switch {
	case n < 9:
		e["kind"], e["event"] = "event", pick(m, []string{"power-cut", "power-cut", "wash-down", "frost"})
		if m.chance(50) {
			e["gate"] = gate
		}
		if froms := m.site.plan.Checks[pick(m, m.checks)].froms(); len(froms) > 1 && m.chance(40) {
			e["at"] = pick(m, froms[1:])
		}
	case n < 14:
		m.visited(e, gate)
	case n < 18:
		e["kind"], e["visit"], e["jws"] = "sign", pick(m, visits), "a.b.c"
	case n < 19:
		e["kind"], e["jws"], e["of"] = "receipt", "a.b.c", m.ulid(m.from-20*day)
		if len(m.ids) > 0 {
			e["of"] = pick(m, m.ids)
		}
		if m.chance(50) {
			e["visit"] = pick(m, visits)
		}
	case n < 21:
		e["kind"], e["text"], e["visit"] = "note", "x", pick(m, visits)
	case n < 23 && len(m.parts) > 0:
		e["kind"], e["part"], e["item"] = "fitted", pick(m, m.parts), "new"
	default:
		m.milking(e, gate, pick(m, []int64{0, 1, 30, 50, 100}), 90)
	}
}

// visited is a visit opened or closed, to one gate or the whole site.
func (m *maker) visited(e object, gate string) {
	e["kind"], e["visit"], e["state"] = "visit", pick(m, visits), pick(m, []string{"closed", "closed", "opened"})
	if m.chance(50) {
		e["gate"] = gate
	}
}

// milking is the summary of one milking, of which about so many percent were
// read.
func (m *maker) milking(e object, gate string, passages int64, percent int) {
	read := int64(0)
	for range passages {
		if m.chance(percent) {
			read++
		}
	}
	at := e["at"].(int64)
	e["kind"], e["gate"], e["from"], e["to"] = "milking", gate, at-2*hour, at
	e["passages"], e["read"], e["sorted"] = passages, read, read/2
}

// doing is something done on a check, mostly what fits it.
func (m *maker) doing(e object) {
	id := pick(m, m.checks)
	c := m.planned[id].(object)
	kind := c["kind"]
	if kind == "visit" && !m.chance(10) {
		gate, ok := c["gate"].(string)
		if !ok || m.chance(10) {
			gate = pick(m, m.gates)
		}
		m.visited(e, gate)
		return
	}
	e["check"] = id
	if m.chance(5) {
		kind = pick(m, []string{"look", "number", "mode", "indicator", "count"})
	}
	if kind == "visit" || kind != "number" && m.chance(30) {
		kind = "look"
	}
	if kind == "mode" || kind == "indicator" || kind == "count" || m.chance(10) {
		e["gate"] = c["gate"]
	}
	switch kind {
	case "look":
		e["kind"] = "tick"
		if m.chance(30) {
			e["bad"] = true
		}
	case "number":
		e["kind"] = "reading"
		if m.chance(4) {
			e["baseline"] = true
		}
		if m.chance(15) {
			e["marks"] = pick(m, []string{"below", "between", "above"})
			if m.chance(30) {
				e["unit"] = pick(m, []string{"bar", "psi"})
			}
			return
		}
		e["unit"] = m.unitAt(id, e["at"].(int64))
		edges := []int64{7_000_000}
		for _, l := range m.site.plan.Checks[id].limits {
			for _, edge := range []*micro{l.Low, l.High} {
				if edge == nil {
					continue
				}
				edges = append(edges, int64(*edge), int64(*edge))
				if l.Guard > 0 {
					guard := int64(l.guardOf(l.U))
					edges = append(edges, int64(*edge)+guard, int64(*edge)-guard)
				}
				if l.Warn != nil {
					edges = append(edges, int64(*edge+*l.Warn), int64(*edge-*l.Warn))
				}
				if l.Agree != nil {
					edges = append(edges, int64(*edge+*l.Agree))
				}
			}
		}
		if m.chance(20) {
			e["u"] = micro(pick(m, []int64{0, 50_000, 250_000}))
		}
		e["value"] = micro(pick(m, edges) + pick(m, []int64{0, 0, 1, -1, 100_000, -100_000, 500_000, -7_000_000}))
	case "mode":
		e["kind"], e["mode"] = "mode", pick(m, []string{"manual", "automatic"})
	case "indicator":
		e["kind"], e["indicator"], e["state"] = "indicator", "lamp", "on"
	case "count":
		e["kind"], e["hits"], e["trials"] = "count", 1, 2
	}
}

// unitAt is mostly the unit that fits.
func (m *maker) unitAt(id string, at int64) string {
	if l := m.site.plan.Checks[id].limitsAt(at); l != nil && m.chance(90) {
		return *l.Unit
	}
	return pick(m, []string{"bar", "bar", "kPa"})
}

// second is a reading soon after another of the same check, as far from it as
// two people may be, or hardly more.
func (m *maker) second(e, old object) {
	id := old["check"].(string)
	within, agree := int64(30), int64(100_000)
	if l := m.site.plan.Checks[id].limitsAt(old["at"].(int64)); l != nil {
		if l.Within != nil {
			within = *l.Within
		}
		if l.Agree != nil {
			agree = int64(*l.Agree)
		}
	}
	at := old["at"].(int64) + pick(m, []int64{1, minute, within * minute, within*minute - 1, within*minute + 1})
	e["at"], e["kind"], e["check"], e["unit"] = at, "reading", id, m.unitAt(id, at)
	e["value"] = old["value"].(micro) + micro(pick(m, []int64{agree, -agree, agree + 1, -agree - 1}))
}

// act is one on a flag, within its episode or just beside it.
func (m *maker) act(f *flag) object {
	cleared := f.cleared
	if cleared == never {
		cleared = max(m.to, f.raised+hour)
	}
	at := pick(m, []int64{
		f.raised, f.raised - 1, f.raised + 1, cleared, cleared - 1,
		f.raised + m.Int64N(cleared-f.raised), f.raised + m.Int64N(cleared-f.raised), m.instant(),
	})
	e := object{"kind": pick(m, []string{"take", "take", "handback", "dismiss"}), "flag": f.fields["subject"], "at": at}
	if e["kind"] == "dismiss" {
		e["why"] = strings.Repeat(pick(m, []string{"worn", "é\u2028<&>", "say \"no\"\n", "\\ 🐄"}), 1+m.IntN(2))
	}
	return e
}
