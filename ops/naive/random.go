package naive

import (
	"encoding/base64"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
)

// RandomSite makes a small site full of the things that go wrong: nights on
// which the clocks change, instants exactly on a boundary or a millisecond
// beside it, entries that void, replace, contradict or miss what they are
// about, items that come and go, and plans whose periods change in the middle.
// The same seed gives the same site. All of it is accepted by the logbook; the
// instants in nows are the ones worth asking about.
func RandomSite(seed uint64) (planJSON []byte, entries [][]byte, heads map[string][]string, nows []int64) {
	m := &maker{Rand: rand.New(rand.NewPCG(seed, 0x6761_7465)), recorded: map[string]int64{}}
	m.place()
	planJSON = write(m.plan())
	m.open(planJSON)
	m.log(planJSON)
	for _, e := range m.entries {
		entries = append(entries, write(e))
	}
	heads = map[string][]string{}
	for _, doc := range []string{"plan", "log/2026-03", "log/2026-04"}[:m.IntN(4)] {
		heads[doc] = []string{}
		for range 1 + m.IntN(3) {
			heads[doc] = append(heads[doc], fmt.Sprintf("%016x%016x%016x%016x", m.Uint64(), m.Uint64(), m.Uint64(), m.Uint64()))
		}
	}
	nows = m.nows(planJSON, entries)
	return planJSON, entries, heads, nows
}

type maker struct {
	*rand.Rand
	zone     string
	from, to int64 // of what happens
	site     *Site // the plan, without entries
	pool     []int64
	gates    []string
	parts    []string
	partOf   map[string]string // part -> gate
	checks   []string
	planned  object // of the checks
	entries  []object
	ids      []string
	recorded map[string]int64 // entry -> instant in its id
}

// nights are zones and days on which their clocks change, or do something else
// of note.
var nights = []struct {
	zone string
	days []string
}{
	{"Europe/Dublin", []string{"2026-03-29", "2026-10-25"}},
	{"Pacific/Auckland", []string{"2026-04-05", "2026-09-27"}},
	{"Australia/Lord_Howe", []string{"2026-04-05", "2026-10-04"}},
	{"America/Chicago", []string{"2026-03-08", "2026-11-01"}},
	{"Asia/Kolkata", []string{"2026-02-28", "2026-12-31"}},
	{"Africa/Cairo", []string{"2026-04-24", "2026-10-30"}},
	{"America/Havana", []string{"2026-03-08", "2026-11-01"}},
	{"Pacific/Chatham", []string{"2026-04-05", "2028-02-29"}},
}

func pick[T any](m *maker, list []T) T { return list[m.IntN(len(list))] }

func (m *maker) chance(percent int) bool { return m.IntN(100) < percent }

// place chooses zone and time.
func (m *maker) place() {
	night := pick(m, nights)
	m.zone = night.zone
	d, err := time.Parse("2006-01-02", pick(m, night.days))
	if err != nil {
		panic(err)
	}
	span := pick(m, []int64{2, 5, 5, 12, 12, 50}) * day
	m.from = d.UnixMilli() - span
	m.to = d.UnixMilli() + span
	m.pool = []int64{m.from, m.to, d.UnixMilli()}

	// Periods of the plan begin and items come and go at local times too, so
	// that they fall on boundaries.
	tz, err := zoneData(m.zone)
	if err != nil {
		panic(err)
	}
	data, err := base64.StdEncoding.DecodeString(tz)
	if err != nil {
		panic(err)
	}
	bare := &Site{}
	bare.plan.Site.Zone, bare.plan.Site.TZV = m.zone, "2026a"
	if bare.loc, err = time.LoadLocationFromTZData(m.zone, data); err != nil {
		panic(err)
	}
	for range 6 {
		date := bare.date(m.from) + m.Int64N(2*span/day)
		m.pool = append(m.pool, bare.instant(date*day+clockMinutes(pick(m, times))*minute))
	}
}

// times are the local times at which things fall due.
var times = []string{"00:00", "00:00", "00:30", "01:00", "01:30", "02:00", "02:15", "02:30", "02:45", "03:00", "08:00", "23:30", "24:00", "24:00"}

// some instant within what happens; often one that matters.
func (m *maker) instant() int64 {
	switch m.IntN(6) {
	case 0:
		return m.from + m.Int64N(m.to-m.from)
	case 1:
		return m.from + m.Int64N((m.to-m.from)/hour)*hour
	case 2:
		return pick(m, m.pool) + pick(m, []int64{-1, 1, minute, -minute, hour})
	}
	return pick(m, m.pool)
}

// early is when something begins that is mostly there from the beginning.
func (m *maker) early() int64 {
	switch m.IntN(8) {
	case 0:
		return m.instant()
	case 1:
		return m.from + m.Int64N((m.to-m.from)/2)
	case 2:
		return m.from - m.Int64N(10*day)
	}
	return m.from - 3*hour
}

func (m *maker) item(order int) object {
	o := object{"name": fmt.Sprintf("n%d", order), "order": order, "since": m.early()}
	m.pool = append(m.pool, o["since"].(int64))
	if m.chance(12) {
		o["retired"] = max(m.instant(), o["since"].(int64)+1)
		m.pool = append(m.pool, o["retired"].(int64))
	}
	return o
}

// froms are the beginnings of the periods of a plan's fact.
func (m *maker) froms() []int64 {
	list := []int64{m.from - 12*day}
	if m.chance(15) {
		list[0] = 0
	}
	if m.chance(15) {
		list[0] = m.early()
	}
	for m.chance(25) {
		list = append(list, m.instant())
	}
	slices.Sort(list)
	list = slices.Compact(list)
	for _, from := range list {
		if from > 0 { // 0 is "ever since", not an instant to do things at
			m.pool = append(m.pool, from)
		}
	}
	return list
}

func (m *maker) plan() object {
	tz, err := zoneData(m.zone)
	if err != nil {
		panic(err)
	}
	site := object{
		"id": "6f1c7e0a-5b1d-4c62-9d3e-2a4b6c8d0e1f", "name": "Yard", "lang": "en",
		"zone": m.zone, "tz": tz, "tzv": "2026a", "milkings": string(write(m.milkings())),
	}
	if m.chance(60) {
		site["manual_after"] = pick(m, []int{0, 1, 20, 45, 600})
	}
	gates, parts, checks := object{}, object{}, object{}
	for i := range 1 + m.IntN(3) {
		id := fmt.Sprintf("g%d", i+1)
		g := m.item(i)
		g["drive"] = pick(m, []string{"air", "electric"})
		gates[id] = g
		m.gates = append(m.gates, id)
	}
	m.partOf = map[string]string{}
	for i := range m.IntN(3) {
		id := fmt.Sprintf("p%d", i+1)
		p := m.item(i)
		m.partOf[id] = pick(m, m.gates)
		p["gate"], p["type"] = m.partOf[id], pick(m, []string{"ram", "valve", "emitter"})
		parts[id] = p
		m.parts = append(m.parts, id)
	}
	for i := range 1 + m.IntN(4) {
		id := fmt.Sprintf("c%d", i+1)
		checks[id] = m.check(i)
		m.checks = append(m.checks, id)
	}
	m.planned = checks
	return object{"site": site, "gates": gates, "parts": parts, "checks": checks, "rounds": object{}}
}

func (m *maker) milkings() []any {
	days := [][][2]string{
		{{"05:30", "08:00"}, {"16:00", "18:30"}},
		{{"00:30", "01:30"}, {"01:30", "02:30"}, {"13:00", "15:00"}},
		{{"04:00", "12:00"}, {"12:00", "20:00"}, {"20:00", "04:00"}},
		{{"02:00", "02:15"}, {"02:15", "02:45"}, {"16:00", "00:00"}},
		{{"06:00", "09:00"}},
	}
	list := []any{}
	for _, from := range m.froms() {
		milkings := []any{}
		for i, d := range pick(m, days) {
			milkings = append(milkings, object{"id": fmt.Sprintf("m%d", i+1), "name": "M", "start": d[0], "end": d[1]})
		}
		list = append(list, object{"from": from, "milkings": milkings})
	}
	return list
}

func (m *maker) check(order int) object {
	c := m.item(order)
	if len(m.parts) > 0 && m.chance(50) {
		part := pick(m, m.parts)
		c["part"], c["gate"] = part, m.partOf[part]
	} else {
		c["gate"] = pick(m, m.gates)
	}
	kind := pick(m, []string{"look", "number", "number", "number", "mode", "indicator", "count"})
	c["kind"], c["minutes"], c["how"], c["source"] = kind, 1, "look", "c"
	if m.chance(50) {
		c["recheck"] = pick(m, []int{1, 10, 60, 1500})
	}
	if !m.chance(10) {
		c["cadence"] = string(write(m.cadence()))
	}
	if kind == "number" && !m.chance(8) {
		c["limits"] = string(write(m.limits()))
	}
	return c
}

func (m *maker) cadence() []any {
	list := []any{}
	if m.chance(5) { // two windows that are late at one instant
		by := pick(m, times)
		return append(list,
			object{"from": m.from - day, "every": "day", "by": by, "grace": 2880},
			object{"from": m.from + m.Int64N((m.to-m.from)/day)*day, "every": "day", "by": by, "grace": 1440})
	}
	every := []string{"milking", "day", "day", "week", "month"}
	mode := pick(m, []string{"fixed", "fixed", "last", "last", "either"})
	for _, from := range m.froms() {
		p := object{
			"from": from, "every": pick(m, every), "n": 1, "mode": mode,
			"grace": pick(m, []int{0, 0, 1, 30, 60, 90, 600, 1440, 2880}),
		}
		if mode == "either" {
			p["mode"] = pick(m, []string{"fixed", "last"})
		}
		if m.to-m.from < 12*day && m.chance(70) {
			p["every"] = pick(m, []string{"milking", "day"})
		}
		if p["every"] != "milking" && m.chance(35) {
			p["n"] = 2 + m.IntN(2)
		}
		if p["mode"] == "fixed" && p["every"] != "milking" {
			if m.chance(70) {
				p["by"] = pick(m, times)
			}
			if m.chance(70) {
				switch p["every"] {
				case "week":
					p["on"] = 1 + m.IntN(7)
				case "month":
					p["on"] = pick(m, []int{1, 5, 28, 29, 30, 31})
				}
			}
		}
		list = append(list, p)
	}
	return list
}

func (m *maker) limits() []any {
	list := []any{}
	for _, from := range m.froms() {
		p := object{"from": from, "unit": "bar"}
		if m.chance(15) {
			p["unit"] = "kPa"
		}
		if !m.chance(20) {
			p["low"] = micro(pick(m, []int64{6_000_000, 5_500_000}))
		}
		if _, ok := p["low"]; !ok || !m.chance(20) {
			p["high"] = micro(pick(m, []int64{8_000_000, 7_250_001}))
		}
		if m.chance(60) {
			p["warn"] = micro(pick(m, []int64{0, 200_000, 1_300_000}))
		}
		if m.chance(20) {
			p["marks"] = true
		}
		if m.chance(60) {
			p["agree"] = micro(pick(m, []int64{0, 100_000, 500_000}))
		}
		if m.chance(50) {
			p["within"] = pick(m, []int{1, 5, 1440, 10080})
		}
		list = append(list, p)
	}
	return list
}

// open reads the plan back and learns from it the instants that matter.
func (m *maker) open(planJSON []byte) {
	s, err := Open(planJSON, nil, nil)
	if err != nil {
		panic(err)
	}
	m.site = s
	some := m.pool
	for t := s.dayStart(m.from); t < m.to; t = s.nextDay(t) {
		some = append(some, t)
	}
	bounds := []int64{}
	for _, id := range m.checks {
		for k, p := range s.plan.Checks[id].cadence {
			for _, b := range s.boundaries(id, k, m.to) {
				if b < m.to+3*day {
					bounds = append(bounds, b, b+p.Grace*minute)
				}
			}
		}
	}
	for range min(len(bounds), 40) {
		some = append(some, pick(m, bounds))
	}
	m.pool = some
}

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
	if e["kind"] == "clock" {
		e["by"], e["dev"] = "server", "server"
	} else {
		who := string(crockford[m.IntN(3)])
		e["by"], e["dev"] = "p00000000"+who, "d00000000"+who
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
	switch n := m.IntN(100); {
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
		e["kind"], e["gate"], e["seen"] = "fault", gate, "stuck-leaf"
		if len(m.parts) > 0 && m.chance(40) {
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

// doing is something done on a check, mostly what fits it.
func (m *maker) doing(e object) {
	id := pick(m, m.checks)
	c := m.planned[id].(object)
	e["check"] = id
	kind := c["kind"]
	if m.chance(5) {
		kind = pick(m, []string{"look", "number", "mode", "indicator", "count"})
	}
	if kind != "number" && m.chance(30) {
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
				if l.Warn != nil {
					edges = append(edges, int64(*edge+*l.Warn), int64(*edge-*l.Warn))
				}
				if l.Agree != nil {
					edges = append(edges, int64(*edge+*l.Agree))
				}
			}
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

// nows are a few instants to ask about.
func (m *maker) nows(planJSON []byte, entries [][]byte) []int64 {
	ends, fresh := []int64{m.to}, []int64{}
	for _, f := range m.flagsAt(planJSON, m.to) {
		if f.cleared < never {
			ends = append(ends, f.cleared+keep)
		}
		if f.rule == "limit" || f.rule == "bad" || f.rule == "disagree" {
			fresh = append(fresh, f.raised+m.Int64N(hour))
		}
	}
	list := []int64{
		m.instant(), m.instant(),
		pick(m, m.pool),
		pick(m, ends) - m.Int64N(2),
	}
	if len(fresh) > 0 && m.chance(50) {
		list = append(list, pick(m, fresh))
	}
	if len(m.entries) > 0 && m.chance(60) {
		list = append(list, pick(m, m.entries)["at"].(int64)+m.Int64N(2*hour))
	}
	if m.chance(30) {
		list = append(list, m.to+m.Int64N(60*day))
	}
	return list
}
