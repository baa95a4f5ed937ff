package rules

import (
	"strconv"
	"testing"
	"time"

	"gatewright/schema/logbook"
	"pgregory.net/rapid"
)

// A site for the properties: small, and full of coincidences, since instants
// come from few values around a night on which clocks change.
type site struct {
	plan    []byte
	entries []*logbook.Entry
	nows    *rapid.Generator[int64]
}

// nights are transitions of 2026 (IANA Time Zone Database), and a zone without.
var nights = []struct{ zone, at string }{
	{"Europe/Dublin", "2026-03-29T01:00Z"},
	{"Europe/Dublin", "2026-10-25T01:00Z"},
	{"Australia/Lord_Howe", "2026-04-04T15:00Z"},
	{"America/Chicago", "2026-03-08T08:00Z"},
	{"Asia/Kolkata", "2026-05-31T18:30Z"},
}

func drawSite(tb testing.TB, t *rapid.T) site {
	night := rapid.SampledFrom(nights).Draw(t, "night")
	at, err := time.Parse("2006-01-02T15:04Z", night.at)
	if err != nil {
		tb.Fatal(err)
	}
	middle := at.UnixMilli()
	const hour = int64(60 * minuteMs)
	instants := rapid.Custom(func(t *rapid.T) int64 {
		days := rapid.Int64Range(-20, 20).Draw(t, "days")
		if rapid.IntRange(0, 2).Draw(t, "near") > 0 {
			days = rapid.Int64Range(-2, 2).Draw(t, "days")
		}
		x := middle + days*24*hour
		x += rapid.SampledFrom([]int64{0, 0, -1, 1, 4, 7, 9, 23}).Draw(t, "hours") * hour
		x += rapid.SampledFrom([]int64{0, 0, 10, 30, 45}).Draw(t, "minutes") * minuteMs
		return x + rapid.SampledFrom([]int64{0, 0, 0, -1, 1}).Draw(t, "ms")
	})
	maybe := func(name string, m map[string]any, field string, of int, value func() any) {
		if rapid.IntRange(1, of).Draw(t, name+"?") == 1 {
			m[field] = value()
		}
	}
	instant := func(name string) func() any {
		return func() any { return instants.Draw(t, name) }
	}
	sample := func(name string, from ...any) any { return rapid.SampledFrom(from).Draw(t, name) }

	froms := func(name string, most int) []int64 {
		out := []int64{sample(name+" from", int64(0), middle-30*24*hour, middle-30*hour).(int64)}
		if out[0] == 0 { // which stands for "always", and is slow
			out[0] = rapid.SampledFrom([]int64{0, middle - 30*24*hour}).Draw(t, name+" always")
		}
		for range rapid.IntRange(0, most-1).Draw(t, name) {
			out = append(out, max(out[len(out)-1], middle-30*24*hour)+1+rapid.Int64Range(0, 40).Draw(t, name+" later")*24*hour+middle%7)
		}
		return out
	}
	siteOf := map[string]any{"manual_after": sample("manual_after", 0, 30), "quiet_after": sample("quiet_after", 0, 0, 30, 4320)}
	maybe("milkings", siteOf, "milkings", 2, func() any {
		var periods []any
		for _, from := range froms("timetables", 2) {
			periods = append(periods, map[string]any{"from": from, "milkings": sample("timetable",
				[]any{},
				[]any{milking("am", "05:30", "08:00"), milking("pm", "16:00", "18:30")},
				[]any{milking("day", "06:00", "18:00"), milking("night", "18:00", "01:30")},
				[]any{milking("one", "00:30", "01:00")},
			)})
		}
		return periods
	})
	gates := map[string]any{}
	for _, id := range []string{"east", "west"} {
		g := map[string]any{}
		maybe(id+" since", g, "since", 3, instant("since"))
		maybe(id+" retired", g, "retired", 5, instant("retired"))
		maybe(id+" learning", g, "learning", 5, instant("learning"))
		maybe(id+" rates", g, "rates", 2, func() any {
			var periods []any
			for _, from := range froms("rates", 2) {
				r := map[string]any{"from": from, "fall": sample("fall", 0, 0.5, 2)}
				maybe("low", r, "low", 2, func() any { return sample("low", 80, 97.5) })
				periods = append(periods, r)
			}
			return periods
		})
		gates[id] = g
	}
	valve := map[string]any{"gate": "east"}
	maybe("valve retired", valve, "retired", 6, instant("retired"))
	checks := map[string]any{}
	kinds := []string{"look", "number", "number", "mode", "visit"}
	for i := range rapid.IntRange(1, 5).Draw(t, "checks") {
		id := "c" + strconv.Itoa(i)
		c := map[string]any{"gate": sample("gate", "east", "east", "west"), "kind": kinds[i]}
		if c["gate"] == "east" {
			maybe("part", c, "part", 3, func() any { return "valve" })
		}
		if c["part"] == nil && c["gate"] == "east" {
			maybe("reader", c, "part", 6, func() any { return "reader" })
		}
		c["since"] = sample("since", int64(0), middle-40*24*hour, middle-40*24*hour, middle-40*24*hour, middle-26*hour)
		maybe("retired", c, "retired", 5, instant("retired"))
		maybe("recheck", c, "recheck", 2, func() any { return sample("recheck", 1, 60, 1440) })
		maybe("cadence", c, "cadence", 1, func() any {
			var periods []any
			for _, from := range froms("cadence", 3) {
				p := map[string]any{
					"from": from, "every": sample("every", "milking", "day", "day", "week", "month", "passages", "event", "calendar"),
					"mode": sample("mode", "fixed", "last"), "grace": sample("grace", 0, 0, 60, 600, 3000),
				}
				switch p["every"] {
				case "milking":
				case "passages":
					delete(p, "mode")
					p["n"] = sample("passages", 1, 100, 250)
				case "event":
					delete(p, "mode")
					p["event"] = sample("event", "power-cut", "power-cut", "visit")
					maybe("after", p, "after", 2, func() any { return sample("after", 1, 60, 1440) })
				case "calendar":
					p["mode"] = "fixed"
					p["rule"] = sample("rule", "FREQ=DAILY", "FREQ=DAILY;COUNT=5", "FREQ=DAILY;BYHOUR=1,2;BYMINUTE=0,30", "FREQ=WEEKLY;BYDAY=MO,SU", "FREQ=MONTHLY;BYDAY=-1SU", "FREQ=DAILY;BYDAY=1MO")
					p["start"] = sample("start", "2026-01-01T01:30:00", "2026-03-25T02:15:00", "2026-10-20T02:30:00")
				default:
					p["n"] = rapid.IntRange(1, 3).Draw(t, "n")
					maybe("by", p, "by", 2, func() any { return sample("by", "01:30", "09:00", "24:00", "00:00") })
				}
				periods = append(periods, p)
			}
			return periods
		})
		if c["kind"] == "number" {
			var periods []any
			for _, from := range froms("limits", 2) {
				l := map[string]any{"from": from, "unit": sample("unit", "bar", "bar", "bar", "kPa"), "low": 6, "high": 8}
				maybe("warn", l, "warn", 2, func() any { return 0.5 })
				maybe("agree", l, "agree", 2, func() any { return 0.4 })
				maybe("guard", l, "guard", 3, func() any { return sample("guard", 1, 2.5) })
				maybe("u", l, "u", 2, func() any { return sample("u", 0.05, 0.1) })
				maybe("horizon", l, "horizon", 2, func() any { return sample("horizon", 1, 30, 366) })
				maybe("chart", l, "chart", 2, func() any { return sample("chart", "individuals", "ewma", "cusum") })
				maybe("one side", l, "warn", 4, func() any { delete(l, "low"); return 0.1 })
				periods = append(periods, l)
			}
			c["limits"] = periods
		}
		checks[id] = c
	}
	s := site{plan: planJSON(tb, night.zone, map[string]any{
		"site": siteOf, "gates": gates, "parts": map[string]any{"valve": valve, "reader": map[string]any{"gate": "east", "type": "reader"}}, "checks": checks,
	})}

	n := rapid.IntRange(0, 25).Draw(t, "entries")
	for i := 1; i <= n; i++ {
		m := map[string]any{"id": string(entryID(i)), "at": instants.Draw(t, "at"), "by": sample("by", "a", "b"), "dev": sample("dev", "0", "0", "1")}
		check := func() any { return sample("check", "c0", "c1", "c1", "c2", "c3", "c4", "nil") }
		gate := func() any { return sample("gate", "east", "east", "east", "west", "nil") }
		earlier := func() any { return string(entryID(rapid.IntRange(1, i-1).Draw(t, "of"))) }
		kind := sample("kind", "tick", "tick", "tick", "reading", "reading", "reading", "reading", "mode", "mode", "park", "park",
			"fault", "fault", "fixed", "void", "take", "handback", "dismiss", "clock", "note",
			"event", "event", "visit", "visit", "sign", "fitted", "milking", "milking").(string)
		if i == 1 && (kind == "fixed" || kind == "void") {
			kind = "tick"
		}
		m["kind"] = kind
		switch kind {
		case "tick":
			m["check"] = check()
			maybe("bad", m, "bad", 3, func() any { return true })
		case "reading":
			m["check"] = check()
			if rapid.IntRange(1, 4).Draw(t, "marks") == 1 {
				m["marks"] = sample("mark", "below", "between", "above")
			} else {
				m["value"] = sample("value", 5.9, 6, 6.3, 7, 7.2, 7.6, 8.000001)
				m["unit"] = sample("unit", "bar", "bar", "bar", "kPa")
				maybe("reading u", m, "u", 4, func() any { return sample("u", 0, 0.2) })
			}
			maybe("baseline", m, "baseline", 8, func() any { return true })
		case "mode":
			m["gate"], m["mode"] = gate(), sample("mode", "automatic", "manual")
			maybe("check", m, "check", 3, check)
		case "park":
			m["gate"], m["out"] = gate(), rapid.Bool().Draw(t, "out")
		case "fault":
			m["gate"], m["seen"] = gate(), sample("seen", "stuck", "stuck", "slow")
			maybe("part", m, "part", 3, func() any { return sample("part", "valve", "nil") })
			maybe("stops", m, "stops", 2, func() any { return true })
		case "fixed", "void":
			m["of"] = earlier()
		case "take", "handback", "dismiss":
			m["flag"] = sample("flag", "overdue/c0", "limit/c1", "near/c1", "bad/c0", "disagree/c1", "manual/east",
				"fault/"+string(entryID(1)), "odd/"+string(entryID(2)), "clock/d000000001", "drift/c1", "shift/c1", "doubt/c1",
				"visit/c4", "rate/east", "repeat/east", "quiet/site", "quiet/d000000000", "altered/v1")
			if kind == "dismiss" {
				m["why"] = "known"
			}
		case "clock":
			m["device"], m["offset"] = "d000000001", sample("offset", 0, 119999, 120000, -120001)
		case "event":
			m["event"] = sample("event", "power-cut", "power-cut", "frost")
			maybe("gate", m, "gate", 2, gate)
		case "visit":
			m["visit"], m["state"] = sample("visit", "v1", "v1", "v2"), sample("state", "opened", "closed", "closed")
			maybe("gate", m, "gate", 2, gate)
		case "sign":
			m["visit"], m["jws"] = sample("visit", "v1", "v1", "v2"), "a.b.c"
		case "fitted":
			m["part"], m["item"] = sample("part", "valve", "reader", "nil"), "new"
		case "milking":
			milked(m, gate(), int64(rapid.IntRange(0, 150).Draw(t, "passages")), 0)
		case "note":
			m["text"] = "seen"
			maybe("gate", m, "gate", 2, gate)
		}
		if i > 1 {
			maybe("replaces", m, "replaces", 12, earlier)
		}
		if m["visit"] == nil {
			maybe("of a visit", m, "visit", 6, func() any { return sample("visit", "v1", "v2") })
		}
		s.entries = append(s.entries, entry(tb, m))
	}
	if rapid.IntRange(0, 2).Draw(t, "series") == 0 {
		// Readings and milkings one after the other, long enough for statistics.
		at := middle - 25*24*hour
		slope := rapid.Float64Range(-0.06, 0.06).Draw(t, "slope")
		for i := range rapid.IntRange(5, 60).Draw(t, "long") {
			at += rapid.Int64Range(6, 26).Draw(t, "step") * hour
			m := map[string]any{"id": string(entryID(n + 2*i + 1)), "at": at, "by": "a", "kind": "reading", "check": "c1", "unit": "bar"}
			m["value"] = float64(int((7+slope*float64(i))*1000)+rapid.IntRange(-40, 40).Draw(t, "noise")) / 1000
			maybe("baseline", m, "baseline", 30, func() any { return true })
			s.entries = append(s.entries, entry(tb, m))
			m = map[string]any{"id": string(entryID(n + 2*i + 2)), "at": at, "by": "server", "kind": "milking"}
			milked(m, "east", 100, int64(rapid.IntRange(0, 4).Draw(t, "unread")+i/8))
			s.entries = append(s.entries, entry(tb, m))
		}
	}
	s.nows = rapid.OneOf(instants, rapid.Custom(func(t *rapid.T) int64 {
		return middle + rapid.Int64Range(-30*24, 60*24).Draw(t, "hours")*hour
	}))
	return s
}

// milked makes an entry the summary of a milking.
func milked(m map[string]any, gate any, passages, unread int64) {
	m["gate"], m["from"], m["to"] = gate, m["at"].(int64)-3600000, m["at"]
	m["passages"], m["read"], m["sorted"] = passages, max(0, passages-unread), 0
}

func milking(id, start, end string) map[string]any {
	return map[string]any{"id": id, "name": id, "start": start, "end": end}
}

// fresh is an engine that was given everything at once.
func (s *site) fresh(tb testing.TB) *Engine {
	e := New()
	e.SetPlan(parsePlan(tb, s.plan), s.plan)
	e.SetHeads("plan", []string{"b", "a"})
	e.Grow(len(s.entries)) // as the server does, and the engines that are fed one by one do not
	for _, x := range s.entries {
		e.Add(x)
	}
	return e
}
