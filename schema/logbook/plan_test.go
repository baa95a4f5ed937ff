package logbook

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/schema/canon"
	"gatewright/schema/num"
)

func samplePlan(t testing.TB) []byte {
	t.Helper()
	b, err := os.ReadFile("testdata/plan.json")
	if err != nil {
		t.Fatal(err)
	}
	return bytes.TrimSpace(b)
}

const since = 1790000000000

func TestSamplePlan(t *testing.T) {
	p, err := ParsePlan(samplePlan(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range p.Problems {
		t.Errorf("%s: %s", q.Field, q.Detail)
	}
	if p.Site.ID != "6ba7b810-9dad-11d1-80b4-00c04fd430c8" || p.Site.ManualAfter != 45 || p.Site.Zone != "Europe/Dublin" {
		t.Errorf("site %+v", p.Site)
	}
	// Summer time ends in Dublin on 2026-10-25 at 01:00 UTC.
	for at, want := range map[string]string{"2026-10-25T00:59:00Z": "01:59", "2026-10-25T01:00:00Z": "01:00"} {
		ts, _ := time.Parse(time.RFC3339, at)
		if got := ts.In(p.Site.Location).Format("15:04"); got != want {
			t.Errorf("%s is %s at the site, want %s", at, got, want)
		}
	}
	if got := p.Site.MilkingsAt(since); !reflect.DeepEqual(got, []Milking{
		{"a", "Early", 240, 720}, {"b", "Late", 720, 1200}, {"c", "Night", 1200, 240},
	}) {
		t.Errorf("milkings %+v", got)
	}
	if got := p.Site.MilkingsAt(since - 1); len(got) != 2 || got[0].Start != 330 || got[1].End != 1140 {
		t.Errorf("milkings before %+v", got)
	}
	if !slices.Equal(p.GateIDs, []string{"east", "west"}) || !slices.Equal(p.CheckIDs, []string{"auto", "lens-e", "service", "supply"}) {
		t.Errorf("ids %v %v", p.GateIDs, p.CheckIDs)
	}
	if g := p.Gates["east"]; len(g.Indicators) != 1 || !reflect.DeepEqual(g.Indicators[0].States, []IndicatorState{{"on", "on", "ready to sort", true}, {"off", "dark", "", false}}) {
		t.Errorf("indicators %+v", g.Indicators)
	}
	c := p.Checks["supply"]
	if !reflect.DeepEqual(c.Cadence, []CadencePeriod{
		{From: 0, Every: EveryMilking, N: 1, Mode: FixedCadence, By: 1440},
		{From: since, Every: EveryWeek, N: 2, Mode: LastCadence, By: 1440, On: 1},
	}) {
		t.Errorf("cadence %+v", c.Cadence)
	}
	if !reflect.DeepEqual(c.Limits, []LimitPeriod{
		{Unit: "bar", HasLow: true, Low: 6 * num.One, HasHigh: true, High: 8 * num.One, HasWarn: true, Warn: 200000, Marks: true, HasAgree: true, Agree: 500000, Within: 30, U: 50000, Guard: 2 * num.One},
		{From: since, Unit: "kPa", HasLow: true, Low: 600 * num.One, Within: 30, Chart: EWMAChart, Horizon: 30},
	}) {
		t.Errorf("limits %+v", c.Limits)
	}
	if c.LimitsAt(since-1).Unit != "bar" || c.LimitsAt(since).Unit != "kPa" || c.LimitsAt(-1) != nil {
		t.Error("the limits in force are wrong")
	}
	if got := p.Checks["auto"].Cadence; !reflect.DeepEqual(got, []CadencePeriod{
		{Every: EveryPassages, N: 50000, Grace: 60, By: 1440},
		{From: since, Every: EveryEvent, N: 1, Grace: 60, By: 1440, Event: "power-cut", After: 120},
		{From: since + 1, Every: EveryEvent, N: 1, By: 1440, Event: EventVisit},
		{From: since + 2, Every: EveryCalendar, N: 1, Mode: FixedCadence, By: 1440, Rule: "FREQ=MONTHLY;BYDAY=1MO", Start: "2026-03-29T05:30:00"},
	}) {
		t.Errorf("cadence %+v", got)
	}
	if p.Site.QuietAfter != 2880 || p.Gates["east"].Learning != since || p.Checks["service"].Kind != VisitCheck {
		t.Errorf("site %+v, gate %+v", p.Site, p.Gates["east"])
	}
	if g := p.Gates["east"]; !reflect.DeepEqual(g.Rates, []RatePeriod{
		{Fall: DefaultFall}, {From: since, HasLow: true, Low: 98500000, Fall: 2500000},
	}) || g.RatesAt(since-1).HasLow || !g.RatesAt(since).HasLow || g.RatesAt(-1) != nil {
		t.Errorf("rates %+v", g.Rates)
	}
	if c.CadenceAt(since-1).Every != EveryMilking || c.CadenceAt(since).Every != EveryWeek || c.CadenceAt(-1) != nil {
		t.Error("the cadence in force is wrong")
	}
	if l := p.Checks["lens-e"]; l.Recheck != DefaultRecheck || c.Recheck != 90 || l.Minutes != 1500000 || !slices.Equal(l.Cautions, []int{1, 7}) {
		t.Errorf("lens-e %+v", l)
	}
	if x := p.Parts["pe1"]; !x.HasPos || x.X != 800000 || x.Y != 0 || p.Parts["ram"].Retired != 0 {
		t.Errorf("part %+v", x)
	}
	if r := p.Rounds["morning"]; !slices.Equal(r.Checks, []string{"lens-e", "supply"}) || r.Milking != "am" {
		t.Errorf("round %+v", r)
	}
}

// spoil sets one field of the sample; nil deletes it.
func spoil(t *testing.T, path string, value any) []byte {
	t.Helper()
	var plan map[string]any
	if err := json.Unmarshal(samplePlan(t), &plan); err != nil {
		t.Fatal(err)
	}
	at := plan
	steps := strings.Split(path, ".")
	for _, s := range steps[:len(steps)-1] {
		at = at[s].(map[string]any)
	}
	if value == nil {
		delete(at, steps[len(steps)-1])
	} else {
		at[steps[len(steps)-1]] = value
	}
	b, err := json.Marshal(plan)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// What is malformed is left out and named, and what hangs on it goes with it.
func TestPlanProblems(t *testing.T) {
	period := func(milkings string) string { return `[{"from":0,"milkings":` + milkings + `}]` }
	for _, c := range []struct {
		path  string
		value any
		want  []string // details, all of them
		gone  string   // collection/id that must be left out
	}{
		{"checks.supply.limits", `[{"from":0,"high":8,"low":8,"unit":"bar"}]`, []string{"checks.supply.limits[0].low must be below high", "rounds.morning.checks names something that is not in the plan"}, "checks/supply"},
		{"checks.supply.limits", `[{"from":5,"unit":"bar"}]`, []string{"checks.supply.limits[0].from is before the year 2000", "rounds.morning.checks names something that is not in the plan"}, "checks/supply"},
		{"checks.supply.limits", `[{"from":0,"unit":"stone"}]`, []string{"checks.supply.limits[0].unit is not a unit that is known here, such as bar, s or %", "rounds.morning.checks names something that is not in the plan"}, "checks/supply"},
		{"checks.supply.limits", `[{"from":0,"low":NaN,"unit":"bar"}]`, []string{"checks.supply.limits[0].low is not JSON: no JSON value starts like this (at byte 17)", "rounds.morning.checks names something that is not in the plan"}, "checks/supply"},
		{"checks.supply.limits", `[{"unit":"bar","from":0}]`, []string{"checks.supply.limits is not in its canonical form (RFC 8785)", "rounds.morning.checks names something that is not in the plan"}, "checks/supply"},
		{"checks.auto.cadence", `[{"every":"day","from":1790000000000},{"every":"day","from":1790000000000}]`, []string{"checks.auto.cadence[1].from must be later than that of the period before it"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"milking","from":0,"n":2}]`, []string{"checks.auto.cadence[0].n must be 1 for a cadence of every milking"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"week","from":0,"on":8}]`, []string{"checks.auto.cadence[0].on must be a weekday from 1 (Monday) to 7"}, "checks/auto"},
		{"checks.auto.cadence", `[{"by":"24:01","every":"day","from":0}]`, []string{"checks.auto.cadence[0].by must be a time of day, such as 05:30"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"hour","from":0}]`, []string{"checks.auto.cadence[0].every must be one of milking, day, week, month, passages, event, calendar"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"passages","from":0,"mode":"last"}]`, []string{"checks.auto.cadence[0].mode must not be given for a cadence of passages"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"passages","from":0,"n":10000001}]`, []string{"checks.auto.cadence[0].n must be at most 10000000"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"event","from":0}]`, []string{"checks.auto.cadence[0].event is missing"}, "checks/auto"},
		{"checks.auto.cadence", `[{"event":"frost","every":"event","from":0,"n":1}]`, []string{"checks.auto.cadence[0].n must not be given for a cadence of an event"}, "checks/auto"},
		{"checks.auto.cadence", `[{"after":5,"every":"day","from":0}]`, []string{"checks.auto.cadence[0].after must not be given for a cadence of day"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"calendar","from":0,"rule":"FREQ=HOURLY","start":"2026-03-29T05:30:00"}]`, []string{"checks.auto.cadence[0].rule must be a recurrence rule of at most 500 characters, by days or more, such as FREQ=MONTHLY;BYDAY=1MO"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"calendar","from":0,"rule":"FREQ=DAILY;FREQ=DAILY","start":"2026-03-29T05:30:00"}]`, []string{"checks.auto.cadence[0].rule must say FREQ once"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"calendar","from":0,"rule":"FREQ=DAILY","start":"2026-02-30T05:30:00"}]`, []string{"checks.auto.cadence[0].start names a date or time that does not exist"}, "checks/auto"},
		{"checks.auto.cadence", `[{"every":"calendar","from":0,"mode":"last","rule":"FREQ=DAILY","start":"2026-03-29T05:30:00"}]`, []string{"checks.auto.cadence[0].mode must be fixed for a cadence of the calendar"}, "checks/auto"},
		{"checks.supply.limits", `[{"from":0,"guard":11,"unit":"bar"}]`, []string{"checks.supply.limits[0].guard must be at most 10", "rounds.morning.checks names something that is not in the plan"}, "checks/supply"},
		{"gates.west.rates", `[{"from":0,"low":101}]`, []string{"gates.west.rates[0].low must be at most 100"}, "gates/west"},
		{"site.quiet_after", 20161, []string{"site.quiet_after must be at most 20160"}, ""},
		{"checks.auto.kind", "taste", []string{"checks.auto.kind must be one of look, number, mode, indicator, count, visit"}, "checks/auto"},
		{"checks.auto.gate", "north", []string{"checks.auto.gate names something that is not in the plan"}, "checks/auto"},
		{"checks.auto.part", "axle", []string{"checks.auto.part names something that is not in the plan"}, "checks/auto"},
		{"checks.auto.gate", nil, []string{"checks.auto.gate is missing"}, "checks/auto"},
		{"checks.auto", 7, []string{"checks.auto must be an object, not a number"}, "checks/auto"},
		{"checks.auto.name", nil, []string{"checks.auto.name is missing"}, ""},
		{"checks.auto.source", "x", []string{"checks.auto.source must be one of c, m, e, law"}, ""},
		{"checks.lens-e.cautions", "[1,1]", []string{"checks.lens-e.cautions[1] repeats 1"}, ""},
		{"checks.lens-e.gate", "west", []string{"checks.lens-e.part names a part of another gate"}, ""},
		{"gates.west.since", "yesterday", []string{"gates.west.since must be a number, not text"}, "gates/west"},
		{"gates.East", map[string]any{}, []string{"gates has an item whose id is not 1 to 16 of a-z, 0-9 and -, starting with a letter"}, ""},
		{"gates.west.indicators", `[{"id":"a","name":"A","states":[]}]`, []string{"gates.west.indicators[0].states is an empty list"}, ""},
		{"gates.west.layout", `[1]`, []string{"gates.west.layout must hold an object, not a list"}, ""},
		{"parts.ram.pos", `{"x":1}`, []string{"parts.ram.pos.y is missing"}, ""},
		{"rounds.morning.milking", "noon", []string{"rounds.morning.milking names no milking of the site"}, ""},
		{"site", nil, []string{"site is missing", "rounds.morning.milking names no milking of the site"}, ""},
		{"site.tz", "AAAA", []string{"site.tz must be a time-zone table (TZif)"}, ""},
		{"site.tz", "A", []string{"site.tz must be base64"}, ""},
		{"site.tz", "QR==", []string{"site.tz must be base64"}, ""},
		{"site.zone", "../etc", []string{"site.zone must be the name of a time zone, such as Europe/Dublin"}, ""},
		{"site.manual_after", 1.5, []string{"site.manual_after must be a whole number"}, ""},
		{"site.milkings", period(`[{"end":"08:00","id":"am","name":"A","start":"05:00"},{"end":"09:00","id":"b","name":"B","start":"07:59"}]`), []string{"site.milkings[0].milkings[1].start must not be before the end of the milking before it", "rounds.morning.milking names no milking of the site"}, ""},
		{"site.milkings", period(`[{"end":"04:00","id":"am","name":"A","start":"22:00"},{"end":"09:00","id":"b","name":"B","start":"23:00"}]`), []string{"site.milkings[0].milkings[0].end must not be past midnight, except that of the last milking", "rounds.morning.milking names no milking of the site"}, ""},
		{"site.milkings", period(`[{"end":"12:00","id":"am","name":"A","start":"04:00"},{"end":"04:01","id":"b","name":"B","start":"12:00"}]`), []string{"site.milkings[0].milkings[1].end must not reach into the first milking of the next day", "rounds.morning.milking names no milking of the site"}, ""},
		{"site.milkings", period(`[{"end":"04:00","id":"am","name":"A","start":"04:00"}]`), []string{"site.milkings[0].milkings[0].end must differ from start", "rounds.morning.milking names no milking of the site"}, ""},
		{"site.milkings", period(`[{"end":"24:00","id":"am","name":"A","start":"22:00"}]`), nil, ""},
		{"checks", nil, []string{"rounds.morning.checks names something that is not in the plan", "rounds.morning.checks names something that is not in the plan"}, ""},
		{"gates", []any{}, []string{"gates must be an object, not a list",
			"parts.pe1.gate names something that is not in the plan", "parts.ram.gate names something that is not in the plan",
			"checks.auto.gate names something that is not in the plan", "checks.lens-e.gate names something that is not in the plan", "checks.service.gate names something that is not in the plan", "checks.supply.gate names something that is not in the plan",
			"rounds.morning.checks names something that is not in the plan", "rounds.morning.checks names something that is not in the plan"}, "parts/ram"},
	} {
		p, err := ParsePlan(spoil(t, c.path, c.value))
		if err != nil {
			t.Errorf("%s: %v", c.path, err)
			continue
		}
		var got []string
		for _, q := range p.Problems {
			got = append(got, q.Detail)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s = %v\n got %q\nwant %q", c.path, c.value, got, c.want)
		}
		collection, id, _ := strings.Cut(c.gone, "/")
		kept := map[string][]string{"gates": p.GateIDs, "parts": p.PartIDs, "checks": p.CheckIDs}[collection]
		if c.gone != "" && slices.Contains(kept, id) || len(p.CheckIDs) != len(p.Checks) || len(p.PartIDs) != len(p.Parts) || len(p.GateIDs) != len(p.Gates) {
			t.Errorf("%s = %v: %s is still there", c.path, c.value, c.gone)
		}
		if p.Site.Location == nil {
			t.Errorf("%s: no location", c.path)
		}
	}
	for in, want := range map[string]string{
		``: "the plan is not JSON: the JSON ends where a value should be (at byte 0)", `[]`: "the plan must be an object, not a list",
	} {
		_, err := ParsePlan([]byte(in))
		var p *Problem
		if !errors.As(err, &p) || p.Detail != want {
			t.Errorf("%q: %v", in, err)
		}
	}
}

func TestCheckPlanField(t *testing.T) {
	text := canon.Text
	for _, c := range []struct {
		collection, field string
		value             canon.Value
		want              string // "" = fine
	}{
		{"checks", "limits", text(`[{"from":0,"unit":"bar"}]`), ""},
		{"checks", "limits", canon.Value{}, ""},
		{"checks", "limits", text(`[{"from":0}]`), "limits[0].unit is missing"},
		{"checks", "kind", canon.Value{}, "kind must be text, not null"},
		{"checks", "minutes", canon.Num64(0.5), ""},
		{"checks", "minutes", canon.Num64(0.0000005), "minutes has more than six decimals"},
		{"checks", "colour", text("red"), "checks has no field colour"},
		{"cows", "name", text("x"), "the plan has no collection cows"},
		{"gates", "name", text(""), "name is empty"},
		{"gates", "name", text(strings.Repeat("x", 121)), "name is longer than 120 characters"},
		{"gates", "retired", canon.Int(0), ""},
		{"gates", "order", canon.Num64(1.5), "order must be a whole number"},
		{"site", "manual_after", canon.Int(-1), "manual_after must be at least 0"},
		{"rounds", "checks", text(`["a","a"]`), "checks[1] repeats a"},
		{"parts", "type", text("ram"), ""},
		{"checks", "cadence", canon.Value{}, ""},
		{"checks", "cadence", text(`[{"every":"calendar","from":0,"rule":"FREQ=MONTHLY;BYDAY=1MO","start":"2026-03-29T05:30:00"}]`), ""},
		{"checks", "cadence", text(`[{"every":"day","from":0},{"every":"calendar","from":1790000000000,"rule":"FREQ=DAILY;BYDAY=1MO","start":"2026-03-29T05:30:00"}]`),
			"cadence[1].rule must not have BYDAY with a number unless FREQ is MONTHLY or YEARLY"},
		{"checks", "cadence", text(`[{"every":"calendar","from":0,"rule":"FREQ=DAILY;UNTIL=20260101T000000","start":"2026-03-29T05:30:00"}]`),
			"cadence[0].rule must name a time: from start to 2199 it has none"},
	} {
		got := ""
		if p := CheckPlanField(c.collection, c.field, c.value); p != nil {
			got = p.Detail
		}
		if got != c.want {
			t.Errorf("%s.%s: %q, want %q", c.collection, c.field, got, c.want)
		}
	}
	for _, coll := range Collections() {
		if len(PlanFields(coll)) < 6 {
			t.Errorf("%s has only the fields %v", coll, PlanFields(coll))
		}
	}
}

func FuzzParsePlan(f *testing.F) {
	f.Add(samplePlan(f))
	for _, s := range []string{
		`{"site":{}}`, `{"gates":{"a":{"name":"A"}},"checks":{"c":{"gate":"a","name":"C","kind":"look","cadence":"[{\"every\":\"day\",\"from\":0}]"}}}`,
		`{"site":{"tz":"VFppZg==","milkings":"[]"}}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		p, err := ParsePlan(in)
		if err != nil {
			var q *Problem
			if !errors.As(err, &q) {
				t.Fatalf("%#v", err)
			}
			return
		}
		for _, q := range p.Problems {
			if q.Field == "" || !strings.HasPrefix(q.Detail, q.Field) {
				t.Fatalf("a bad problem: %#v", q)
			}
		}
		if !slices.IsSorted(p.GateIDs) || !slices.IsSorted(p.CheckIDs) || len(p.Checks) != len(p.CheckIDs) {
			t.Fatal("ids are not in order")
		}
		for _, c := range p.Checks {
			if p.Gates[c.Gate] == nil || c.Part != "" && p.Parts[c.Part] == nil {
				t.Fatal("a check hangs in the air")
			}
		}
		// The location must be usable at any instant of the logbook.
		for _, at := range []int64{0, FirstInstant, since, LastInstant} {
			time.UnixMilli(at).In(p.Site.Location).Date()
		}
	})
}
