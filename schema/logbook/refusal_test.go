package logbook

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"gatewright/schema/canon"
)

// Fields whose form is their own: each one just outside it, and what people are told.
func TestFormsOfFields(t *testing.T) {
	sixteen := `"` + strings.Join(strings.Split("abcdefghijklmnopq", ""), `","`) + `"`
	for _, c := range []struct{ in, field, detail string }{
		{`"item":"x","kind":"fitted","part":"ram","passes":"9","v":1`, "passes", "passes must be a number, not text"},
		{`"item":"x","kind":"fitted","part":"ram","passes":1000000000001,"v":1`, "passes", "passes must be at most 1000000000000"},
		{`"item":"x","kind":"fitted","part":"ram","v":1,"warranty":"2026-1-01"`, "warranty", "warranty must be a day of the years 2000 to 2099, such as 2026-11-25"},
		{`"gate":"east","hits":"3","kind":"count","trials":4,"v":1`, "hits", "hits must be a number, not text"},
		{`"chips":[` + sixteen + `],"kind":"note","v":1`, "chips", "chips has more than 16 items"},
		{`"gate":"east","indicator":"Ready","kind":"indicator","state":"on","v":1`, "indicator", "indicator must be 1 to 32 of a-z, 0-9 and -, starting with a letter"},
		{`"check":"lens_e","kind":"tick","v":1`, "check", "check must be 1 to 16 of a-z, 0-9 and -, starting with a letter"},
		{`"kind":"visit","state":"opened","v":1,"visit":"-1"`, "visit", "visit must be 1 to 36 letters, digits and -, not starting with -"},
		{`"kind":"visit","state":"opened","v":1,"visit":"a b"`, "visit", "visit must be 1 to 36 letters, digits and -, not starting with -"},
		{`"kind":"visit","state":"opened","v":1`, "visit", "visit is missing"},
		{`"item":"x","kind":"fitted","v":1`, "part", "part is missing"},
		{`"device":"phone","kind":"clock","offset":1,"v":1`, "device", "device must be a device's id (d and nine characters) or server"},
		{`"bytes":1,"kind":"attachment","sha256":"0123456789ABCDEF0123456789abcdef0123456789abcdef0123456789abcdef","type":"image/png","v":1`, "sha256", "sha256 must be a SHA-256 of 64 lower-case hexadecimal digits"},
		{`"bytes":1,"kind":"attachment","sha256":"0123","type":"image/png","v":1`, "sha256", "sha256 must be a SHA-256 of 64 lower-case hexadecimal digits"},
		{`"jws":"a.b+.c","kind":"sign","v":1,"visit":"v1"`, "jws", "jws must be a compact JWS of at most 7000 characters"},
		{`"jws":".b.c","kind":"sign","v":1,"visit":"v1"`, "jws", "jws must be a compact JWS of at most 7000 characters"},
		{`"kind":"survey","survey":"s1","v":1,"value":-70`, "unit", "unit is missing beside value"},
		{`"kind":"fixed","of":"","v":1`, "of", "of is empty"},
	} {
		_, err := ParseEntry([]byte("{" + stub + c.in + "}"))
		var p *Problem
		if !errors.As(err, &p) || p.Field != c.field || p.Detail != c.detail || p.Error() != c.detail {
			t.Errorf("%.200s\n got %v\nwant %q: %s", c.in, err, c.field, c.detail)
		}
	}
}

// What a JSON Schema could say too is told from what only this package judges.
func TestRelation(t *testing.T) {
	for in, want := range map[string]bool{
		`"check":"lens","kind":"tick","v":"1"`:                              false,
		`"gate":"east","hits":3,"kind":"count","trials":2,"v":1`:            true,
		`"kind":"void","of":"01M7HK2TB0ZZZZZZZZZZZZZZZZ","v":1`:             true,
		`"kind":"tick","check":"lens","v":1`:                                true, // in this order
		`"kind":"note","v":1`:                                               false,
		`"kind":"note","text":"` + strings.Repeat("x", MaxEntryBytes) + `"`: true,
	} {
		_, err := ParseEntry([]byte("{" + stub + in + "}"))
		var p *Problem
		if !errors.As(err, &p) || p.Relation() != want {
			t.Errorf("%.100s: %v", in, err)
		}
	}
}

// Facts that the plan holds as text, each spoilt in one place; what is wrong with it is said, wherever it is.
func TestFormsOfPlanFacts(t *testing.T) {
	milkings := func(list string) string { return `[{"from":0,"milkings":[` + list + `]}]` }
	indicator := `{"id":"a","name":"A","states":[{"id":"on","name":"On","ok":true}]}`
	for _, c := range []struct {
		collection, field, value string
		want                     string
	}{
		{"site", "id", "6BA7B810-9dad-11d1-80b4-00c04fd430c8", "id must be a UUID in lower case, such as 6ba7b810-9dad-11d1-80b4-00c04fd430c8"},
		{"site", "tz", "AAAA\n", "tz must be base64 in one line"},
		{"site", "tz", strings.Repeat("A", 1<<16+1), "tz is longer than 65536 characters"},
		{"site", "lang", "en_GB", "lang must be a language tag, such as en or pt-BR"},
		{"site", "lang", "pt-BR", ""},
		{"site", "milkings", `{}`, "milkings must hold a list, not an object"},
		{"site", "milkings", `[7]`, "milkings[0] must be an object, not a number"},
		{"site", "milkings", `[{"from":0}]`, "milkings[0].milkings is missing"},
		{"site", "milkings", `[{"milkings":[]}]`, "milkings[0].from is missing"},
		{"site", "milkings", `[`, "milkings[0] is not JSON: the JSON ends where a value should be (at byte 1)"},
		{"site", "milkings", `]`, "milkings is not JSON: no JSON value starts like this (at byte 0)"},
		{"site", "milkings", milkings(`{"end":"08:00","id":"am","name":"A"}`), "milkings[0].milkings[0].start is missing"},
		{"site", "milkings", milkings(`{"end":"8:00","id":"am","name":"A","start":"05:00"}`), "milkings[0].milkings[0].end must be a time of day, such as 05:30"},
		{"site", "milkings", milkings(`{"end":"0a:00","id":"am","name":"A","start":"05:00"}`), "milkings[0].milkings[0].end must be a time of day, such as 05:30"},
		{"site", "milkings", milkings(`{"end":"08:00","id":"am","name":"A","start":"24:00"}`), "milkings[0].milkings[0].start must be a time of day, such as 05:30"},
		{"site", "milkings", milkings(`{"end":"08:00","id":"am","name":"A","start":"05:00"},{"end":"18:00","id":"am","name":"B","start":"16:00"}`), "milkings[0].milkings[1].id repeats am"},
		{"gates", "layout", `"x"`, "layout must hold an object, not text"},
		{"gates", "layout", `{"width":900}`, ""},
		{"gates", "indicators", `[{"name":"A","states":[]}]`, "indicators[0].id is missing"},
		{"gates", "indicators", `[` + indicator + `,` + indicator + `]`, "indicators[1].id repeats a"},
		{"gates", "indicators", `[{"id":"a","name":"A","states":[{"id":"on","name":"On","ok":true},{"id":"on","name":"Off","ok":false}]}]`, "indicators[0].states[1].id repeats on"},
		{"gates", "indicators", `[{"id":"a","name":"A","states":[{"id":"on","name":"On"}]}]`, "indicators[0].states[0].ok is missing"},
		{"gates", "indicators", `{}`, "indicators must hold a list, not an object"},
		{"gates", "rates", `{}`, "rates must hold a list, not an object"},
		{"parts", "pos", `{"x":true,"y":0}`, "pos.x must be a number, not true or false"},
		{"parts", "pos", `{"y":0}`, "pos.x is missing"},
		{"parts", "pos", `[]`, "pos must hold an object, not a list"},
		{"checks", "cautions", `{}`, "cautions must hold a list, not an object"},
		{"checks", "cautions", `[0]`, "cautions[0] must be at least 1"},
		{"checks", "cautions", `[` + strings.TrimSuffix(strings.Repeat("1,", 51), ",") + `]`, "cautions has more than 50 items"},
		{"checks", "cadence", `{}`, "cadence must hold a list, not an object"},
		{"checks", "cadence", `[{"every":"calendar","from":0,"rule":"FREQ=DAILY;","start":"2026-03-29T05:30:00"}]`, "cadence[0].rule must be a recurrence rule of at most 500 characters, by days or more, such as FREQ=MONTHLY;BYDAY=1MO"},
		{"checks", "cadence", `[{"every":"calendar","from":0,"rule":"freq=daily","start":"2026-03-29T05:30:00"}]`, "cadence[0].rule must be a recurrence rule of at most 500 characters, by days or more, such as FREQ=MONTHLY;BYDAY=1MO"},
		{"checks", "cadence", `[{"every":"calendar","from":0,"rule":"FREQ=DAILY","start":"2026-03-29 05:30:00"}]`, "cadence[0].start must be a local date and time of the years 2000 to 2099, such as 2026-03-29T05:30:00"},
		{"checks", "limits", `{}`, "limits must hold a list, not an object"},
		{"rounds", "checks", `{}`, "checks must hold a list, not an object"},
		{"checks", "Colour of the door", "red", "checks has no field of that name"},
		{"Cows & calves", "name", "x", "the plan has no collection of that name"},
	} {
		got := ""
		if p := CheckPlanField(c.collection, c.field, canon.Text(c.value)); p != nil {
			got = p.Detail
		}
		if got != c.want {
			t.Errorf("%s.%s = %.80s\n got %q\nwant %q", c.collection, c.field, c.value, got, c.want)
		}
	}
	for _, f := range []string{"milkings", "tz"} {
		if p := CheckPlanField(SiteCollection, f, canon.Int(7)); p == nil || p.Detail != f+" must be text, not a number" {
			t.Errorf("a number as %s: %v", f, p)
		}
	}
	if p := CheckPlanField(ChecksCollection, "minutes", canon.Num64(math.Inf(1))); p == nil || p.Detail != "minutes must be finite" {
		t.Errorf("endless minutes: %v", p)
	}
	if PlanFields("cows") != nil || !slices.Contains(PlanFields(PartsCollection), "pos") {
		t.Error("the fields of a collection are wrong")
	}
}

func TestSiteThatIsNone(t *testing.T) {
	p, err := ParsePlan(spoil(t, "site", []any{}))
	if err != nil || len(p.Problems) == 0 || p.Problems[0].Detail != "site must be an object, not a list" {
		t.Errorf("%v, %+v", err, p)
	}
	if p.Site.ManualAfter != DefaultManualAfter || p.Site.MilkingsAt(since) != nil {
		t.Errorf("site %+v", p.Site)
	}
	// Before the first timetable there is none.
	if p, err = ParsePlan(samplePlan(t)); err != nil || p.Site.MilkingsAt(-1) != nil {
		t.Errorf("%v, %+v", err, p.Site.MilkingsAt(-1))
	}
}
