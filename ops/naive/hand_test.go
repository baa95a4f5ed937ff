package naive

import (
	"encoding/json"
	"fmt"
	"testing"
)

// The cases of this file were worked out by hand from the package comment of
// schema/rules, before the engine said anything of them.

// told compares the flags of one rule.
func told(t *testing.T, output []byte, rule, want string) {
	t.Helper()
	var got struct{ Flags []map[string]any }
	if err := json.Unmarshal(output, &got); err != nil {
		t.Fatal(err)
	}
	of := []any{}
	for _, f := range got.Flags {
		if f["rule"] == rule {
			delete(f, "acts")
			of = append(of, f)
		}
	}
	shown, err := json.Marshal(map[string]any{rule: of})
	if err != nil {
		t.Fatal(err)
	}
	expect(t, shown, rule, want)
}

// shop is a site of one gate g1 with a reader p1, a ram p2 and one check.
func shop(t *testing.T, site, gate, check object) []byte {
	t.Helper()
	tz, err := zoneData("Asia/Kolkata") // 5:30 ahead, no other time in summer
	if err != nil {
		t.Fatal(err)
	}
	site["zone"], site["tz"], site["tzv"] = "Asia/Kolkata", tz, "x"
	gate["since"] = int64(0)
	check["gate"], check["since"] = "g1", ms(t, "2026-01-01T00:00:00Z")
	return write(object{
		"site":  site,
		"gates": object{"g1": gate},
		"parts": object{
			"p1": object{"gate": "g1", "type": "reader", "since": int64(0)},
			"p2": object{"gate": "g1", "type": "ram", "since": int64(0)},
		},
		"checks": object{"c1": check},
	})
}

func reading(t *testing.T, at string, value micro, fields object) []byte {
	fields["check"], fields["unit"], fields["value"] = "c1", "bar", value
	return entryAt(t, at, "reading", fields)
}

// Band 0.2: from 7.8 to 8.2 nobody can tell, both ends included. What is in
// doubt neither opens nor ends an excess; a better gauge (u 0) decides.
func TestDoubt(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{}, object{"kind": "number", "limits": `[{"from":0,"guard":2,"high":8,"low":6,"u":0.1,"unit":"bar"}]`})
	entries := [][]byte{
		reading(t, "2026-02-01T01:00:00Z", 7_800_000, object{}),
		reading(t, "2026-02-01T02:00:00Z", 7_799_999, object{}),
		reading(t, "2026-02-01T03:00:00Z", 8_200_000, object{}),
		reading(t, "2026-02-01T04:00:00Z", 8_200_001, object{}),
		reading(t, "2026-02-01T05:00:00Z", 8_100_000, object{}),
		reading(t, "2026-02-01T06:00:00Z", 8_100_000, object{"u": micro(0)}),
		reading(t, "2026-02-01T07:00:00Z", 7_000_000, object{}),
	}
	out := evaluate(t, plan, entries, "2026-02-01T08:00:00Z")
	hour := func(n int) int64 { return ms(t, fmt.Sprintf("2026-02-01T%02d:00:00Z", n)) }
	doubt := func(from, to int, value, more string) string {
		return fmt.Sprintf(`{"subject":"doubt/c1","rule":"doubt","severity":"watch","key":"flag.doubt.high","gate":"g1","check":"c1",
			"raised":%d,"cleared":%d,"params":{"value":%s,"unit":"bar","low":6,"high":8,"u":0.1,"guard":2},"entries":["E%03d","E%03d"]%s}`,
			hour(from), hour(to), value, from, to, more)
	}
	told(t, out, "doubt", "["+doubt(1, 2, "7.8", "")+","+doubt(3, 4, "8.2", "")+","+doubt(5, 6, "8.1", `,"under":"limit/c1"`)+"]")
	told(t, out, "limit", fmt.Sprintf(`[{"subject":"limit/c1","rule":"limit","severity":"act","key":"flag.limit.high","gate":"g1","check":"c1",
		"raised":%d,"cleared":%d,"params":{"value":8.1,"unit":"bar","low":6,"high":8},"entries":["E004","E006","E007"]}]`, hour(4), hour(7)))
}

// An hour after frost, with half an hour of grace. The second frost while the
// first is not answered means nothing; one at the instant of the answer
// neither; while the gate is away in [due, late] nothing is owed, and a frost
// before late is no new one.
func TestAfterFrost(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{}, object{"kind": "look", "cadence": `[{"after":60,"event":"frost","every":"event","from":0,"grace":30}]`})
	entry := func(at, kind string, fields object) []byte { return entryAt(t, "2026-02-01T"+at+":00Z", kind, fields) }
	frost := func(at string) []byte { return entry(at, "event", object{"event": "frost"}) }
	tick := func(at string) []byte { return entry(at, "tick", object{"check": "c1"}) }
	entries := [][]byte{
		frost("06:00"), frost("06:30"), tick("06:40"), // done
		frost("08:00"), frost("09:00"), frost("11:00"), tick("11:00"), // missed at 09:30
		entry("11:30", "event", object{"event": "wash-down"}),
		frost("12:00"), entry("13:10", "park", object{"gate": "g1", "out": true}), frost("13:20"),
		entry("13:20", "park", object{"gate": "g1", "out": false}), // waived
		frost("13:31"), tick("14:31"), // late
		entry("14:40", "event", object{"event": "frost", "gate": "g1"}),
	}
	at := func(hm string) int64 { return ms(t, "2026-02-01T"+hm+":00Z") }
	item := func(state, opens, due, late, more string) string {
		return fmt.Sprintf(`[{"check":"c1","gate":"g1","why":"cadence","state":"%s","opens":%d,"due":%d,"late":%d%s}]`, state, at(opens), at(due), at(late), more)
	}
	first := fmt.Sprintf(`,"last":{"at":%d,"by":"p1","entry":"E003"}`, at("06:40"))
	for _, c := range []struct{ now, due, wake string }{
		{"05:59", `[]`, "06:00"},
		{"06:00", item("due", "06:00", "07:00", "07:30", ""), "06:30"}, // future is one less
		{"06:40", `[]`, "08:00"},
		{"08:00", item("due", "08:00", "09:00", "09:30", first), "09:00"},
		{"09:00", item("late", "08:00", "09:00", "09:30", first), "09:30"},
		{"09:30", item("overdue", "08:00", "09:00", "09:30", first+`,"missed":1`), "11:00"},
		{"11:00", `[]`, "11:30"},
		{"13:21", `[]`, "13:31"},
		{"14:40", item("due", "14:40", "15:40", "16:10", fmt.Sprintf(`,"last":{"at":%d,"by":"p1","entry":"E014"}`, at("14:31"))), "15:40"},
	} {
		out := evaluate(t, plan, entries, "2026-02-01T"+c.now+":00Z")
		expect(t, out, "due", c.due)
		expect(t, out, "wake", fmt.Sprint(at(c.wake)))
	}
	out := evaluate(t, plan, entries, "2026-02-01T14:40:00Z")
	expect(t, out, "completion", fmt.Sprintf(`[{"check":"c1","n":3,"done":1,"late":1,"missed":1,"from":%d,"to":%d}]`, at("07:00"), at("14:31")))
	told(t, out, "overdue", fmt.Sprintf(`[{"subject":"overdue/c1","rule":"overdue","severity":"watch","key":"flag.overdue","gate":"g1","check":"c1",
		"raised":%d,"cleared":%d,"params":{"due":%d,"missed":1,"last":%d},"entries":["E003"]}]`, at("09:30"), at("11:00"), at("09:00"), at("06:40")))
}

// Twenty that were waived do not push out the two that were done before.
func TestWaivedCountNowhere(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{}, object{"kind": "look", "cadence": `[{"event":"frost","every":"event","from":0,"grace":60}]`})
	entries := [][]byte{}
	for day := 1; day <= 22; day++ {
		if day == 3 {
			entries = append(entries, entryAt(t, "2026-02-03T05:00:00Z", "park", object{"gate": "g1", "out": true}))
		}
		entries = append(entries, entryAt(t, fmt.Sprintf("2026-02-%02dT06:00:00Z", day), "event", object{"event": "frost"}))
		if day < 3 {
			entries = append(entries, entryAt(t, fmt.Sprintf("2026-02-%02dT06:30:00Z", day), "tick", object{"check": "c1"}))
		}
	}
	out := evaluate(t, plan, entries, "2026-02-25T00:00:00Z")
	expect(t, out, "completion", fmt.Sprintf(`[{"check":"c1","n":2,"done":0,"late":2,"missed":0,"from":%d,"to":%d}]`,
		ms(t, "2026-02-01T06:00:00Z"), ms(t, "2026-02-02T06:00:00Z")))
}

func milked(t *testing.T, at string, passages, read int64) []byte {
	return entryAt(t, at, "milking", object{"gate": "g1", "passages": passages, "read": read, "by": "server"})
}

// Every 100 passages: due with the second milking of 60, and again with the
// second after it was done (the third came before).
func TestEveryHundredPassages(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{}, object{"kind": "look", "cadence": `[{"every":"passages","from":0,"grace":60,"n":100}]`})
	entries := [][]byte{
		milked(t, "2026-02-01T06:00:00Z", 60, 60),
		milked(t, "2026-02-01T12:00:00Z", 60, 60),
		milked(t, "2026-02-01T12:20:00Z", 60, 60),
		entryAt(t, "2026-02-01T12:30:00Z", "tick", object{"check": "c1"}),
		milked(t, "2026-02-01T18:00:00Z", 60, 60),
		milked(t, "2026-02-02T06:00:00Z", 40, 40),
	}
	at := func(s string) int64 { return ms(t, s) }
	out := evaluate(t, plan, entries, "2026-02-01T12:00:00Z")
	expect(t, out, "due", fmt.Sprintf(`[{"check":"c1","gate":"g1","why":"cadence","state":"late","opens":%[1]d,"due":%[1]d,"late":%d}]`,
		at("2026-02-01T12:00:00Z"), at("2026-02-01T13:00:00Z")))
	out = evaluate(t, plan, entries, "2026-02-02T08:00:00Z")
	expect(t, out, "due", fmt.Sprintf(`[{"check":"c1","gate":"g1","why":"cadence","state":"overdue","missed":1,"opens":%[1]d,"due":%[1]d,"late":%d,
		"last":{"at":%d,"by":"p1","entry":"E004"}}]`, at("2026-02-02T06:00:00Z"), at("2026-02-02T07:00:00Z"), at("2026-02-01T12:30:00Z")))
	expect(t, out, "completion", fmt.Sprintf(`[{"check":"c1","n":2,"done":0,"late":1,"missed":1,"from":%d,"to":%d}]`,
		at("2026-02-01T12:00:00Z"), at("2026-02-02T06:00:00Z")))
}

// Dublin, four days from 27 March 2026 at 01:30: the third is not there, the
// fourth an hour earlier by the sun; then the series is over.
func TestCalendarEnds(t *testing.T) {
	entryNumber = 0
	plan := yard(t, "Europe/Dublin", "2026-03-01T00:00:00Z", object{
		"kind": "look", "cadence": `[{"every":"calendar","from":0,"grace":10,"rule":"FREQ=DAILY;COUNT=4","start":"2026-03-27T01:30:00"}]`,
	})
	entries := [][]byte{entryAt(t, "2026-03-29T00:45:00Z", "tick", object{"check": "c1"}), entryAt(t, "2026-03-29T12:00:00Z", "tick", object{"check": "c1"})}
	at := func(s string) int64 { return ms(t, s) }
	out := evaluate(t, plan, entries, "2026-03-29T00:50:00Z")
	expect(t, out, "due", fmt.Sprintf(`[{"check":"c1","gate":"g1","why":"cadence","state":"done","opens":%d,"due":%d,"late":%d,"last":{"at":%d,"by":"p1","entry":"E001"}}]`,
		at("2026-03-28T01:30:00Z"), at("2026-03-29T01:00:00Z"), at("2026-03-29T01:10:00Z"), at("2026-03-29T00:45:00Z")))
	out = evaluate(t, plan, entries, "2026-03-30T00:30:00Z")
	expect(t, out, "due", `[]`)
	expect(t, out, "completion", fmt.Sprintf(`[{"check":"c1","n":4,"done":2,"late":0,"missed":2,"from":%d,"to":%d}]`,
		at("2026-03-27T01:30:00Z"), at("2026-03-30T00:30:00Z")))
}

// A line of 0.05 bar a day from 7: eight readings tell that it reaches 8 on
// the twentieth day after the first. A ninth back at 7 (S = 21 of 36, z about
// 2.1) tells no more of it.
func TestDrift(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{}, object{"kind": "number", "part": "p2", "limits": `[{"from":0,"high":8,"horizon":13,"unit":"bar"}]`})
	entries := [][]byte{}
	for i := range 8 {
		entries = append(entries, reading(t, fmt.Sprintf("2026-02-%02dT06:00:00Z", i+1), micro(7_000_000+50_000*i), object{}))
	}
	at := func(s string) int64 { return ms(t, s) }
	told(t, evaluate(t, plan, entries, "2026-02-08T05:59:59Z"), "drift", `[]`)
	drift := fmt.Sprintf(`"subject":"drift/c1","rule":"drift","severity":"watch","key":"flag.drift.high","gate":"g1","part":"p2","check":"c1","raised":%d,
		"params":{"crosses":%[2]d,"from":%[2]d,"to":%[2]d,"limit":8,"n":8,"slope":0.05,"unit":"bar","value":7.35}`, at("2026-02-08T06:00:00Z"), at("2026-02-21T06:00:00Z"))
	told(t, evaluate(t, plan, entries, "2026-02-08T06:00:00Z"), "drift", `[{`+drift+`,"entries":["E008"]}]`)
	back := append(entries[:8:8], reading(t, "2026-02-09T06:00:00Z", 7_000_000, object{}))
	told(t, evaluate(t, plan, back, "2026-02-09T06:00:00Z"), "drift", fmt.Sprintf(`[{%s,"cleared":%d,"entries":["E008","E009"]}]`, drift, at("2026-02-09T06:00:00Z")))
	renewed := append(entries[:8:8], entryAt(t, "2026-02-08T09:00:00Z", "fitted", object{"part": "p2"}))
	told(t, evaluate(t, plan, renewed, "2026-02-09T06:00:00Z"), "drift", fmt.Sprintf(`[{%s,"cleared":%d,"entries":["E008","E010"]}]`, drift, at("2026-02-08T09:00:00Z")))
	// A day less of horizon, and it is too far away.
	nearer := shop(t, object{}, object{}, object{"kind": "number", "part": "p2", "limits": `[{"from":0,"high":8,"horizon":12,"unit":"bar"}]`})
	told(t, evaluate(t, nearer, entries, "2026-02-08T06:00:00Z"), "drift", `[]`)
}

// Twenty readings 7.0 and 7.1 in turn: target 7.05, mean range 0.1, sigma
// 0.1/1.128 = 0.0886525, upper limit 7.05 + 3.18 sigma = 7.3319149.
func TestShift(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{}, object{"kind": "number", "limits": `[{"chart":"individuals","from":0,"high":8,"unit":"bar"}]`})
	entries := [][]byte{}
	for i := range 20 {
		entries = append(entries, reading(t, fmt.Sprintf("2026-02-01T%02d:00:00Z", i), micro(7_000_000+100_000*(i%2)), object{}))
	}
	entries = append(entries,
		reading(t, "2026-02-01T20:00:00Z", 7_331_914, object{}),
		reading(t, "2026-02-01T21:00:00Z", 7_331_915, object{}),
		reading(t, "2026-02-01T22:00:00Z", 7_100_000, object{}))
	at := func(s string) int64 { return ms(t, s) }
	out := evaluate(t, plan, entries, "2026-02-02T00:00:00Z")
	told(t, out, "shift", fmt.Sprintf(`[{"subject":"shift/c1","rule":"shift","severity":"watch","key":"flag.shift.high","gate":"g1","check":"c1","raised":%d,"cleared":%d,
		"params":{"chart":"individuals","sigma":0.088652,"target":7.05,"unit":"bar","value":7.331915},"entries":["E022","E023"]}]`,
		at("2026-02-01T21:00:00Z"), at("2026-02-01T22:00:00Z")))
}

// 480 of 600 read: Wilson's 99 % interval ends at 0.8387, below 0.9. A new
// reader begins anew.
func TestLowRate(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{"rates": `[{"from":0,"low":90}]`}, object{"kind": "look"})
	entries := [][]byte{}
	for i := range 6 {
		entries = append(entries, milked(t, fmt.Sprintf("2026-02-%02dT06:00:00Z", i+1), 100, 80))
	}
	entries = append(entries, entryAt(t, "2026-02-07T00:00:00Z", "fitted", object{"part": "p1"}))
	at := func(s string) int64 { return ms(t, s) }
	told(t, evaluate(t, plan, entries, "2026-02-06T05:59:59Z"), "rate", `[]`)
	told(t, evaluate(t, plan, entries, "2026-02-07T00:00:00Z"), "rate", fmt.Sprintf(`[{"subject":"rate/g1","rule":"rate","severity":"watch","key":"flag.rate.low","gate":"g1",
		"raised":%d,"cleared":%d,"params":{"read":480,"passages":600,"rate":80,"low":90},"entries":["E006","E007"]}]`, at("2026-02-06T06:00:00Z"), at("2026-02-07T00:00:00Z")))
}

// 98 % at first, 90 % over the last six of 34: eight points, and Newcombe's
// 99.9 % interval begins at 4.5.
func TestFallenRate(t *testing.T) {
	entryNumber = 0
	entries := [][]byte{}
	for i := range 34 {
		read := int64(98)
		if i >= 28 {
			read = 90
		}
		entries = append(entries, milked(t, fmt.Sprintf("2026-02-%02dT%02d:00:00Z", i/2+1, 6+12*(i%2)), 100, read))
	}
	at := func(s string) int64 { return ms(t, s) }
	for _, c := range []struct{ rates, want string }{
		{`[{"from":0}]`, fmt.Sprintf(`[{"subject":"rate/g1","rule":"rate","severity":"watch","key":"flag.rate.fall","gate":"g1",
			"raised":%d,"params":{"read":540,"passages":600,"rate":90,"base":98},"entries":["E034"]}]`, at("2026-02-17T18:00:00Z"))},
		{`[{"fall":8.000001,"from":0}]`, `[]`},
		{`[{"fall":0,"from":0}]`, `[]`},
	} {
		plan := shop(t, object{}, object{"rates": c.rates}, object{"kind": "look"})
		told(t, evaluate(t, plan, entries, "2026-02-18T00:00:00Z"), "rate", c.want)
	}
}

// The third within 30 days raises it until the first is 30 days ago; a fourth
// 31 days after the first makes another episode with the three last.
func TestRepeat(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{}, object{"kind": "look"})
	entries := [][]byte{}
	for _, at := range []string{"2026-02-01T00:00:00Z", "2026-02-11T00:00:00Z", "2026-02-21T00:00:00Z", "2026-03-04T00:00:00Z"} {
		entries = append(entries, entryAt(t, at, "fault", object{"gate": "g1", "part": "p2", "seen": "slow"}))
		entries = append(entries, entryAt(t, at, "fault", object{"gate": "g1", "part": "p1", "seen": "slow"})) // of another part, voided
		entries = append(entries, entryAt(t, at, "void", object{"of": fmt.Sprintf("E%03d", entryNumber)}))
	}
	at := func(s string) int64 { return ms(t, s) }
	repeat := func(from, to, since string, list string) string {
		return fmt.Sprintf(`{"subject":"repeat/g1","rule":"repeat","severity":"watch","key":"flag.repeat","gate":"g1","raised":%d%s,
			"params":{"seen":"slow","n":3,"since":%d},"entries":[%s]}`, at(from), to, at(since), list)
	}
	cleared := fmt.Sprintf(`,"cleared":%d`, at("2026-03-03T00:00:00Z"))
	out := evaluate(t, plan, entries, "2026-03-05T00:00:00Z")
	told(t, out, "repeat", "["+repeat("2026-02-21T00:00:00Z", cleared, "2026-02-01T00:00:00Z", `"E001","E004","E007"`)+","+
		repeat("2026-03-04T00:00:00Z", "", "2026-02-11T00:00:00Z", `"E004","E007","E010"`)+"]")
}

// An hour without an entry; the gate is retired meanwhile. Of the phone nobody
// asks, it was not regular.
func TestQuietSite(t *testing.T) {
	entryNumber = 0
	gate := object{"retired": ms(t, "2026-02-01T10:30:00Z")}
	plan := shop(t, object{"quiet_after": 60}, gate, object{"kind": "look"})
	entries := [][]byte{
		entryAt(t, "2026-02-01T06:00:00Z", "note", object{"text": "x", "dev": "d1"}),
		entryAt(t, "2026-02-01T06:30:00Z", "note", object{"text": "x", "dev": "d1"}),
		entryAt(t, "2026-02-01T09:00:00Z", "note", object{"text": "x", "dev": "d1"}),
	}
	at := func(hm string) int64 { return ms(t, "2026-02-01T"+hm+":00Z") }
	quiet := func(from, to, since, list string) string {
		return fmt.Sprintf(`{"subject":"quiet/site","rule":"quiet","severity":"watch","key":"flag.quiet","raised":%d,"cleared":%d,"params":{"since":%d},"entries":[%s]}`,
			at(from), at(to), at(since), list)
	}
	told(t, evaluate(t, plan, entries, "2026-02-01T12:00:00Z"), "quiet",
		"["+quiet("07:30", "09:00", "06:30", `"E002","E003"`)+","+quiet("10:00", "10:30", "09:00", `"E003"`)+"]")
}

// Entries on five days within a fortnight, then none: told after a week, for
// thirty days.
func TestQuietDevice(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{"quiet_after": 20160}, object{"retired": ms(t, "2026-01-01T00:00:00Z")}, object{"kind": "look"})
	entries := [][]byte{}
	for _, at := range []string{"2026-02-01T06:00:00Z", "2026-02-03T06:00:00Z", "2026-02-05T06:00:00Z", "2026-02-07T06:00:00Z", "2026-02-15T05:59:59Z"} {
		entries = append(entries, entryAt(t, at, "note", object{"text": "x", "dev": "d1"}))
	}
	at := func(s string) int64 { return ms(t, s) }
	out := evaluate(t, plan, entries, "2026-02-22T05:59:59Z")
	flag := fmt.Sprintf(`"subject":"quiet/d1","rule":"quiet","severity":"know","key":"flag.quiet","raised":%d,"params":{"since":%d},"entries":["E005"]`,
		at("2026-02-22T05:59:59Z"), at("2026-02-15T05:59:59Z"))
	told(t, out, "quiet", "[{"+flag+"}]")
	expect(t, out, "wake", fmt.Sprint(at("2026-03-24T05:59:59Z")))
	told(t, evaluate(t, plan, entries, "2026-03-24T05:59:59Z"), "quiet", fmt.Sprintf(`[{%s,"cleared":%d}]`, flag, at("2026-03-24T05:59:59Z")))
	// A second later the first day would be exactly 14 days away.
	entries[4] = entryAt(t, "2026-02-15T06:00:00Z", "note", object{"text": "x", "dev": "d1"})
	told(t, evaluate(t, plan, entries, "2026-02-25T00:00:00Z"), "quiet", `[]`)
}

// Signed, then a note added and an entry of the visit voided, then signed
// again.
func TestAltered(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{}, object{"kind": "look"})
	entries := [][]byte{
		entryAt(t, "2026-02-01T06:00:00Z", "note", object{"visit": "v1", "text": "x"}),
		entryAt(t, "2026-02-01T07:00:00Z", "sign", object{"visit": "v1"}),
		entryAt(t, "2026-02-01T08:00:00Z", "seen", object{"visit": "v1", "of": "E001"}),
		entryAt(t, "2026-02-01T06:30:00Z", "note", object{"visit": "v1", "text": "put down late"}),
		entryAt(t, "2026-02-01T09:00:00Z", "void", object{"of": "E001"}),
		entryAt(t, "2026-02-01T10:00:00Z", "sign", object{"visit": "v1"}),
		entryAt(t, "2026-02-01T11:00:00Z", "note", object{"visit": "v2", "text": "x"}),
	}
	at := func(hm string) int64 { return ms(t, "2026-02-01T"+hm+":00Z") }
	told(t, evaluate(t, plan, entries, "2026-02-01T12:00:00Z"), "altered", fmt.Sprintf(`[{"subject":"altered/v1","rule":"altered","severity":"watch","key":"flag.altered",
		"raised":%d,"cleared":%d,"params":{"n":2,"signed":%d},"entries":["E004","E005","E006"]}]`, at("07:00"), at("10:00"), at("07:00")))
}

// A visit every month from the last: told a fortnight before, until it is
// closed; a tick is not a visit.
func TestVisitDue(t *testing.T) {
	entryNumber = 0
	plan := shop(t, object{}, object{}, object{"kind": "visit", "cadence": `[{"every":"month","from":0,"grace":0,"mode":"last"}]`})
	at := func(s string) int64 { return ms(t, s) }
	entries := [][]byte{
		entryAt(t, "2026-02-10T06:00:00Z", "visit", object{"visit": "v1", "state": "opened"}),
		entryAt(t, "2026-02-11T06:00:00Z", "visit", object{"visit": "v1", "state": "closed"}),
		entryAt(t, "2026-02-12T06:00:00Z", "tick", object{"check": "c1"}),
		entryAt(t, "2026-03-08T06:00:00Z", "visit", object{"visit": "v2", "state": "closed", "gate": "g1"}),
	}
	out := evaluate(t, plan, entries, "2026-02-25T05:59:59Z")
	expect(t, out, "wake", fmt.Sprint(at("2026-02-25T06:00:00Z")))
	flag := fmt.Sprintf(`"subject":"visit/c1","rule":"visit","severity":"know","key":"flag.visit","gate":"g1","check":"c1","raised":%d,
		"params":{"due":%d,"last":%d},"entries":["E002"]`, at("2026-02-25T06:00:00Z"), at("2026-03-11T06:00:00Z"), at("2026-02-11T06:00:00Z"))
	told(t, evaluate(t, plan, entries, "2026-02-25T06:00:00Z"), "visit", `[{`+flag+`}]`)
	told(t, evaluate(t, plan, entries, "2026-03-09T06:00:00Z"), "visit", fmt.Sprintf(`[{%s,"cleared":%d}]`, flag, at("2026-03-08T06:00:00Z")))
	told(t, out, "odd", fmt.Sprintf(`[{"subject":"odd/E003","rule":"odd","severity":"know","key":"flag.odd","check":"c1","raised":%d,"params":{"reason":"kind"},"entries":["E003"]}]`,
		at("2026-02-12T06:00:00Z")))
}
