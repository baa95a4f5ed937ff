package naive

import (
	"encoding/json"
	"fmt"
	"reflect"
	"testing"
	"time"
)

// ms reads an instant.
func ms(t *testing.T, text string) int64 {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at.UnixMilli()
}

// yard is a site of one gate with one check.
func yard(t *testing.T, zone, since string, check object) []byte {
	t.Helper()
	tz, err := zoneData(zone)
	if err != nil {
		t.Fatal(err)
	}
	check["gate"], check["since"] = "g1", ms(t, since)
	return write(object{
		"site":   object{"zone": zone, "tz": tz, "tzv": "x"},
		"gates":  object{"g1": object{"since": int64(0)}},
		"parts":  object{},
		"checks": object{"c1": check},
	})
}

var entryNumber int

// entryAt makes an entry; ids ascend in the order of making.
func entryAt(t *testing.T, at, kind string, fields object) []byte {
	t.Helper()
	entryNumber++
	fields["id"], fields["at"], fields["kind"] = fmt.Sprintf("E%03d", entryNumber), ms(t, at), kind
	if fields["by"] == nil {
		fields["by"] = "p1"
	}
	return write(fields)
}

// expect compares one member of the output with what was worked out by hand.
func expect(t *testing.T, output []byte, member, want string) {
	t.Helper()
	var got map[string]any
	if err := json.Unmarshal(output, &got); err != nil {
		t.Fatal(err)
	}
	var wanted any
	if err := json.Unmarshal([]byte(want), &wanted); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got[member], wanted) {
		shown, _ := json.Marshal(got[member])
		t.Errorf("%s:\n got %s\nwant %s", member, shown, want)
	}
}

func evaluate(t *testing.T, plan []byte, entries [][]byte, now string) []byte {
	t.Helper()
	out, err := Evaluate(plan, entries, nil, ms(t, now))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Dublin, 29 March 2026: the clocks go from 01:00 to 02:00, so 01:30 is not
// there and the check falls due at 01:00 UTC; on the 30th at 00:30 UTC.
func TestDueInTheMissingHour(t *testing.T) {
	entryNumber = 0
	plan := yard(t, "Europe/Dublin", "2026-03-27T00:00:00Z", object{
		"kind": "look", "cadence": `[{"by":"01:30","every":"day","from":0,"grace":60}]`,
	})
	entries := [][]byte{entryAt(t, "2026-03-27T12:00:00Z", "tick", object{"check": "c1"})}
	at := func(s string) int64 { return ms(t, s) }

	out := evaluate(t, plan, entries, "2026-03-29T01:15:00Z")
	expect(t, out, "wake", fmt.Sprint(at("2026-03-29T02:00:00Z")))
	expect(t, out, "due", fmt.Sprintf(`[{"check":"c1","gate":"g1","why":"cadence","state":"late","opens":%d,"due":%d,"late":%d,
		"last":{"at":%d,"by":"p1","entry":"E001"}}]`,
		at("2026-03-28T01:30:00Z"), at("2026-03-29T01:00:00Z"), at("2026-03-29T02:00:00Z"), at("2026-03-27T12:00:00Z")))
	expect(t, out, "completion", fmt.Sprintf(`[{"check":"c1","n":2,"done":1,"late":0,"missed":1,"from":%d,"to":%d}]`,
		at("2026-03-27T01:30:00Z"), at("2026-03-28T01:30:00Z")))
	cleared := fmt.Sprintf(`{"subject":"overdue/c1","rule":"overdue","severity":"watch","key":"flag.overdue","gate":"g1","check":"c1",
		"raised":%d,"cleared":%d,"params":{"due":%d,"missed":1},"entries":[],"acts":[]}`,
		at("2026-03-27T02:30:00Z"), at("2026-03-27T12:00:00Z"), at("2026-03-27T01:30:00Z"))
	expect(t, out, "flags", "["+cleared+"]")

	out = evaluate(t, plan, entries, "2026-03-29T02:00:00Z")
	expect(t, out, "wake", fmt.Sprint(at("2026-03-30T01:30:00Z"))) // missed: 2
	expect(t, out, "flags", fmt.Sprintf(`[%s,{"subject":"overdue/c1","rule":"overdue","severity":"watch","key":"flag.overdue","gate":"g1","check":"c1",
		"raised":%d,"params":{"due":%d,"missed":1,"last":%d},"entries":["E001"],"acts":[]}]`,
		cleared, at("2026-03-29T02:00:00Z"), at("2026-03-29T01:00:00Z"), at("2026-03-27T12:00:00Z")))
}

// Time out of service does not run: done on the 1st, every two days, away from
// the 2nd to the 5th, so one of the two days is left on the 5th.
func TestParkedTimeDoesNotRun(t *testing.T) {
	entryNumber = 0
	plan := yard(t, "Asia/Kolkata", "2026-01-01T00:00:00Z", object{
		"kind": "look", "cadence": `[{"every":"day","from":0,"grace":30,"mode":"last","n":2}]`,
	})
	entries := [][]byte{
		entryAt(t, "2026-02-01T06:00:00Z", "tick", object{"check": "c1"}),
		entryAt(t, "2026-02-02T06:00:00Z", "park", object{"gate": "g1", "out": true}),
		entryAt(t, "2026-02-05T06:00:00Z", "park", object{"gate": "g1", "out": false}),
	}
	at := func(s string) int64 { return ms(t, s) }
	last := fmt.Sprintf(`"last":{"at":%d,"by":"p1","entry":"E001"}`, at("2026-02-01T06:00:00Z"))

	out := evaluate(t, plan, entries, "2026-02-03T00:00:00Z")
	expect(t, out, "due", `[{"check":"c1","gate":"g1","why":"cadence","state":"parked",`+last+`}]`)
	expect(t, out, "future", "1")
	expect(t, out, "wake", fmt.Sprint(at("2026-02-05T06:00:00Z")))

	// Open on the 5th, due on the 6th from midnight of the yard (18:30 UTC of
	// the 4th is that of the 5th) on which it falls due by the next midnight.
	out = evaluate(t, plan, entries, "2026-02-05T06:00:00Z")
	expect(t, out, "due", fmt.Sprintf(`[{"check":"c1","gate":"g1","why":"cadence","state":"open","opens":%d,"due":%d,"late":%d,%s}]`,
		at("2026-02-01T06:00:00Z"), at("2026-02-06T06:00:00Z"), at("2026-02-06T06:30:00Z"), last))
	expect(t, out, "wake", fmt.Sprint(at("2026-02-05T18:30:00Z")))
}

// Inside, near, outside by marks, inside again; a second person contradicts the
// first within the half hour.
func TestReadings(t *testing.T) {
	entryNumber = 0
	plan := yard(t, "Asia/Kolkata", "2026-01-01T00:00:00Z", object{
		"kind": "number", "limits": `[{"from":0,"high":8,"low":6,"unit":"bar","warn":0.25}]`,
	})
	reading := func(at, by string, fields object) []byte {
		fields["check"] = "c1"
		raw := entryAt(t, at, "reading", fields)
		fields["by"] = by
		raw = write(fields)
		return raw
	}
	entries := [][]byte{
		reading("2026-02-01T06:00:00Z", "p1", object{"unit": "bar", "value": micro(6_249_999)}),
		reading("2026-02-01T06:10:00Z", "p2", object{"marks": "below"}),
		reading("2026-02-01T07:00:00Z", "p1", object{"unit": "bar", "value": micro(6_250_000)}),
		reading("2026-02-01T08:00:00Z", "p1", object{"unit": "kPa", "value": micro(625_000_000)}),
		entryAt(t, "2026-02-01T06:20:00Z", "take", object{"flag": "limit/c1"}),
	}
	at := func(s string) int64 { return ms(t, s) }
	first, second, third, odd := at("2026-02-01T06:00:00Z"), at("2026-02-01T06:10:00Z"), at("2026-02-01T07:00:00Z"), at("2026-02-01T08:00:00Z")
	out := evaluate(t, plan, entries, "2026-02-01T09:00:00Z")
	expect(t, out, "due", "[]")
	expect(t, out, "wake", fmt.Sprint(second+14*day))
	expect(t, out, "flags", fmt.Sprintf(`[
		{"subject":"near/c1","rule":"near","severity":"know","key":"flag.near","gate":"g1","check":"c1","raised":%d,"cleared":%d,
		 "params":{"value":6.249999,"unit":"bar","low":6,"high":8,"warn":0.25},"entries":["E001","E002"],"acts":[]},
		{"subject":"disagree/c1","rule":"disagree","severity":"watch","key":"flag.disagree","under":"limit/c1","gate":"g1","check":"c1","raised":%d,"cleared":%d,
		 "params":{"a":6.249999,"b":"below","unit":"bar","by_a":"p1","by_b":"p2","at_a":%d,"at_b":%d},"entries":["E001","E002","E003"],"acts":[]},
		{"subject":"limit/c1","rule":"limit","severity":"act","key":"flag.limit.low","gate":"g1","check":"c1","raised":%d,"cleared":%d,
		 "params":{"marks":"below","unit":"bar","low":6,"high":8},"entries":["E002","E003"],"acts":["E005"],
		 "taken":{"at":%d,"by":"p1","entry":"E005"}},
		{"subject":"odd/E004","rule":"odd","severity":"know","key":"flag.odd","check":"c1","raised":%d,
		 "params":{"reason":"unit"},"entries":["E004"],"acts":[]}]`,
		first, second, second, third, first, second, second, third, at("2026-02-01T06:20:00Z"), odd))

	// Until the third reading a second look is owed, an hour after the flags.
	out = evaluate(t, plan, entries, "2026-02-01T06:59:59Z")
	expect(t, out, "due", fmt.Sprintf(`[{"check":"c1","gate":"g1","why":"recheck","state":"due","opens":%d,"due":%d,"late":%d}]`,
		second, second+hour, second+hour))
}

// A void of a void lets the first entry stand; time in manual begins after the
// allowance and is interrupted while out of service.
func TestVoidsAndManual(t *testing.T) {
	entryNumber = 0
	plan := yard(t, "Asia/Kolkata", "2026-01-01T00:00:00Z", object{"kind": "mode"})
	entries := [][]byte{
		entryAt(t, "2026-02-01T06:00:00Z", "mode", object{"gate": "g1", "mode": "manual"}),
		entryAt(t, "2026-02-01T06:05:00Z", "void", object{"of": "E001"}),
		entryAt(t, "2026-02-01T06:06:00Z", "void", object{"of": "E002"}),
		entryAt(t, "2026-02-01T08:00:00Z", "park", object{"gate": "g1", "out": true}),
		entryAt(t, "2026-02-01T09:00:00Z", "park", object{"gate": "g1", "out": false}),
		entryAt(t, "2026-02-01T10:00:00Z", "mode", object{"gate": "g1", "mode": "automatic", "check": "c1"}),
	}
	at := func(s string) int64 { return ms(t, s) }
	out := evaluate(t, plan, entries, "2026-02-01T06:05:30Z")
	expect(t, out, "flags", "[]")
	out = evaluate(t, plan, entries, "2026-02-01T06:06:00Z")
	expect(t, out, "wake", fmt.Sprint(at("2026-02-01T06:30:00Z")))
	out = evaluate(t, plan, entries, "2026-02-01T12:00:00Z")
	expect(t, out, "flags", fmt.Sprintf(`[
		{"subject":"manual/g1","rule":"manual","severity":"act","key":"flag.manual","gate":"g1","raised":%d,"cleared":%d,
		 "params":{"since":%d},"entries":["E001"],"acts":[]},
		{"subject":"manual/g1","rule":"manual","severity":"act","key":"flag.manual","gate":"g1","raised":%d,"cleared":%d,
		 "params":{"since":%d},"entries":["E001","E006"],"acts":[]}]`,
		at("2026-02-01T06:30:00Z"), at("2026-02-01T08:00:00Z"), at("2026-02-01T06:00:00Z"),
		at("2026-02-01T09:00:00Z"), at("2026-02-01T10:00:00Z"), at("2026-02-01T06:00:00Z")))
}

// Local times on the nights on which clocks change, from the zones' published
// rules.
func TestInstants(t *testing.T) {
	for _, c := range []struct{ zone, local, want string }{
		{"Europe/Dublin", "2026-03-29T01:30:00Z", "2026-03-29T01:00:00Z"},           // missing
		{"Europe/Dublin", "2026-10-25T01:30:00Z", "2026-10-25T00:30:00Z"},           // twice: the first
		{"Australia/Lord_Howe", "2026-10-04T02:15:00Z", "2026-10-03T15:30:00Z"},     // missing, half an hour
		{"Australia/Lord_Howe", "2026-04-05T01:45:00Z", "2026-04-04T14:45:00Z"},     // twice: at +11
		{"Africa/Cairo", "2026-04-24T00:00:00Z", "2026-04-23T22:00:00Z"},            // no midnight: 00:00 is 01:00
		{"America/Havana", "2026-11-01T00:30:00Z", "2026-11-01T04:30:00Z"},          // twice: at -4
		{"America/Chicago", "2026-03-08T02:30:00.001Z", "2026-03-08T08:00:00Z"},     // missing, no whole minute
		{"Pacific/Chatham", "2026-04-05T03:00:00.007Z", "2026-04-04T13:15:00.007Z"}, // twice: at +13:45
	} {
		s := &Site{}
		tz, err := zoneData(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		planJSON := write(object{"site": object{"zone": c.zone, "tz": tz, "tzv": "x"}})
		if s, err = Open(planJSON, nil, nil); err != nil {
			t.Fatal(err)
		}
		if got := s.instant(ms(t, c.local)); got != ms(t, c.want) {
			t.Errorf("%s %s: %s, want %s", c.zone, c.local, time.UnixMilli(got).UTC().Format(time.RFC3339Nano), c.want)
		}
	}
}
