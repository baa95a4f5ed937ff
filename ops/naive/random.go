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
// instants in nows are the ones worth asking about. Every sixth site has long
// series of readings and milkings instead of many things that are due.
func RandomSite(seed uint64) (planJSON []byte, entries [][]byte, heads map[string][]string, nows []int64) {
	m := &maker{Rand: rand.New(rand.NewPCG(seed, 0x6761_7465)), recorded: map[string]int64{}, series: seed%6 == 5}
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
	series   bool
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
	if m.series {
		span = 50 * day
	}
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
	if m.chance(60) {
		site["quiet_after"] = pick(m, []int{0, 30, 600, 1440, 4320, 20160})
	}
	gates, parts, checks := object{}, object{}, object{}
	for i := range 1 + m.IntN(3) {
		id := fmt.Sprintf("g%d", i+1)
		g := m.item(i)
		g["drive"] = pick(m, []string{"air", "electric"})
		if m.chance(20) {
			g["learning"] = m.early()
		}
		if m.series || m.chance(20) {
			g["rates"] = string(write(m.rates()))
		}
		gates[id] = g
		m.gates = append(m.gates, id)
	}
	m.partOf = map[string]string{}
	most := m.IntN(3)
	if m.series {
		most = 3
	}
	for i := range most {
		id := fmt.Sprintf("p%d", i+1)
		p := m.item(i)
		m.partOf[id] = pick(m, m.gates)
		p["gate"], p["type"] = m.partOf[id], pick(m, []string{"ram", "valve", "reader", "reader"})
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
	kind := pick(m, []string{"look", "number", "number", "number", "mode", "indicator", "count", "visit", "visit"})
	if m.series && order < 2 {
		kind = "number"
	}
	c["kind"], c["minutes"], c["how"], c["source"] = kind, 1, "look", "c"
	if m.chance(50) {
		c["recheck"] = pick(m, []int{1, 10, 60, 1500})
	}
	if !m.chance(10) && (!m.series || m.chance(30)) {
		c["cadence"] = string(write(m.cadence(kind)))
	}
	if kind == "number" && !m.chance(8) {
		c["limits"] = string(write(m.limits()))
	}
	return c
}

func (m *maker) cadence(kind string) []any {
	list := []any{}
	if m.chance(5) { // two windows that are late at one instant
		by := pick(m, times)
		return append(list,
			object{"from": m.from - day, "every": "day", "by": by, "grace": 2880},
			object{"from": m.from + m.Int64N((m.to-m.from)/day)*day, "every": "day", "by": by, "grace": 1440})
	}
	every := []string{"milking", "day", "day", "week", "month"}
	mode := pick(m, []string{"fixed", "fixed", "last", "last", "either"})
	if kind == "visit" && m.chance(60) {
		mode = "last"
	}
	triggered := m.chance(30)
	for _, from := range m.froms() {
		if triggered && m.chance(85) || m.chance(3) {
			list = append(list, m.trigger(from))
			continue
		}
		if mode != "last" && m.chance(15) {
			list = append(list, m.calendar(from))
			continue
		}
		p := object{
			"from": from, "every": pick(m, every), "n": 1, "mode": mode,
			"grace": pick(m, graces),
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

var graces = []int{0, 0, 1, 30, 60, 90, 600, 1440, 2880}

// trigger is a period of a cadence after something happened.
func (m *maker) trigger(from int64) object {
	p := object{"from": from, "every": pick(m, []string{"event", "event", "passages"}), "grace": pick(m, graces)}
	if p["every"] == "passages" {
		p["n"] = pick(m, []int{1, 50, 100, 250})
		return p
	}
	p["event"] = pick(m, []string{"power-cut", "power-cut", "wash-down", "visit"})
	if m.chance(70) {
		p["after"] = pick(m, []int{0, 1, 60, 600, 2880})
	}
	return p
}

// calendar is a period of a calendar cadence.
func (m *maker) calendar(from int64) object {
	start := time.UnixMilli(m.from - m.Int64N(20*day)).UTC()
	if m.chance(25) {
		start = time.UnixMilli(m.instant()).UTC()
	}
	clock := pick(m, []string{"T00:00:00", "T01:30:00", "T02:15:00", "T02:30:00", "T08:00:00", "T23:30:07"})
	rule := pick(m, []string{
		"FREQ=DAILY", "FREQ=DAILY;INTERVAL=2", "FREQ=DAILY;COUNT=8", "FREQ=WEEKLY;BYDAY=MO,TH,SU", "FREQ=WEEKLY;INTERVAL=2",
		"FREQ=WEEKLY;WKST=SU;INTERVAL=2;BYDAY=SA,SU", "FREQ=MONTHLY;BYDAY=1MO", "FREQ=MONTHLY;BYDAY=-1SU", "FREQ=MONTHLY;BYMONTHDAY=-1",
		"FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-1", "FREQ=MONTHLY;BYMONTHDAY=29,30,31", "FREQ=YEARLY;BYMONTH=3,10;BYDAY=-1SU",
		"FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29", "FREQ=DAILY;BYHOUR=1,2,3;BYMINUTE=0,30", "FREQ=DAILY;UNTIL=UNTIL",
	})
	rule = strings.Replace(rule, "=UNTIL", "="+time.UnixMilli(m.instant()).UTC().Format("20060102T150405"), 1)
	return object{"from": from, "every": "calendar", "start": start.Format("2006-01-02") + clock, "rule": rule, "grace": pick(m, graces)}
}

func (m *maker) rates() []any {
	list := []any{}
	for _, from := range m.froms() {
		p := object{"from": from}
		if m.chance(60) {
			p["low"] = micro(pick(m, []int64{80_000_000, 90_000_000, 97_500_000}))
		}
		if m.chance(60) {
			p["fall"] = micro(pick(m, []int64{0, 500_000, 1_000_000, 2_000_000, 8_000_000, 8_000_001}))
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
		if m.chance(50) || m.series && m.chance(60) {
			p["u"] = micro(pick(m, []int64{0, 50_000, 100_000, 333_333}))
			p["guard"] = micro(pick(m, []int64{0, 1_000_000, 1_500_001, 2_000_000}))
		}
		if m.series && m.chance(85) {
			p["chart"] = pick(m, []string{"individuals", "ewma", "cusum"})
		}
		if m.series && m.chance(85) {
			p["horizon"] = pick(m, []int{1, 10, 90, 366})
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

// nows are a few instants to ask about.
func (m *maker) nows(planJSON []byte, entries [][]byte) []int64 {
	ends, fresh, raised := []int64{m.to}, []int64{}, []int64{m.to}
	known := m.sofar(planJSON, m.to)
	for _, f := range known.flags() {
		if f.cleared < never {
			ends = append(ends, f.cleared+keep, f.cleared)
		}
		if f.raised > m.from {
			raised = append(raised, f.raised)
		}
		if f.rule == "limit" || f.rule == "bad" || f.rule == "disagree" {
			fresh = append(fresh, f.raised+m.Int64N(hour))
		}
	}
	list := []int64{
		m.instant(), m.instant(),
		pick(m, m.pool),
		pick(m, ends) - m.Int64N(2),
		pick(m, raised) - m.Int64N(2),
	}
	if len(fresh) > 0 && m.chance(50) {
		list = append(list, pick(m, fresh))
	}
	for _, id := range sortedKeys(known.plan.Checks) {
		if triggered, _ := known.after(id); len(triggered) > 0 && m.chance(60) {
			o := pick(m, triggered)
			list = append(list, o.opens+m.Int64N(o.late-o.opens+2))
		}
	}
	if len(m.entries) > 0 && m.chance(60) {
		list = append(list, pick(m, m.entries)["at"].(int64)+m.Int64N(2*hour))
	}
	if m.chance(30) {
		list = append(list, m.to+m.Int64N(60*day))
	}
	return list
}
