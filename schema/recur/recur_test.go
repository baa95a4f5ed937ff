package recur

import (
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/schema/input"
	"gatewright/schema/recur/wall"
	"gatewright/schema/zones"
)

func ptr(s string) *string { return &s }

func ask1(t testing.TB, in NextInput) NextResult {
	t.Helper()
	r, err := Next(in)
	if err != nil {
		t.Fatalf("%+v: %v", in, err)
	}
	return r
}

// Around every transition of these zones, a daily rule at any quarter of an
// hour comes exactly once a date. Transitions: IANA Time Zone Database (rule
// lines EU, Eire, NZ, Chatham, US, LH), offsets in minutes before and after;
// those of today's 2026 in America/Chicago and others as read in 2026c.
func TestOncePerDateAcrossTransitions(t *testing.T) {
	for _, tr := range []struct {
		zone, at      string
		before, after int64
	}{
		{"Europe/Dublin", "2026-03-29T01:00Z", 0, 60}, {"Europe/Dublin", "2026-10-25T01:00Z", 60, 0},
		{"Europe/Amsterdam", "2026-03-29T01:00Z", 60, 120}, {"Europe/Amsterdam", "2026-10-25T01:00Z", 120, 60},
		{"Pacific/Auckland", "2026-04-04T14:00Z", 780, 720}, {"Pacific/Auckland", "2026-09-26T14:00Z", 720, 780},
		{"America/Chicago", "2026-03-08T08:00Z", -360, -300}, {"America/Chicago", "2026-11-01T07:00Z", -300, -360},
		{"Australia/Lord_Howe", "2026-04-04T15:00Z", 660, 630}, {"Australia/Lord_Howe", "2026-10-03T15:30Z", 630, 660},
		{"Pacific/Chatham", "2026-04-04T14:00Z", 825, 765}, {"Pacific/Chatham", "2026-09-26T14:00Z", 765, 825},
		{"America/Toronto", "2026-03-08T07:00Z", -300, -240}, {"America/Toronto", "2026-11-01T06:00Z", -240, -300},
	} {
		at, err := time.Parse("2006-01-02T15:04Z", tr.at)
		if err != nil {
			t.Fatal(err)
		}
		date := at.Add(time.Duration(tr.before)*time.Minute).Truncate(24*time.Hour).AddDate(0, 0, -2)
		for by := 0; by < 1440; by += 15 {
			start := date.Add(time.Duration(by) * time.Minute)
			r := ask1(t, NextInput{Start: start.Format(local), Zone: tr.zone, Rule: "FREQ=DAILY", Count: 5})
			for i := range 5 {
				wall := start.AddDate(0, 0, i)
				want := wall.Add(-time.Duration(tr.before) * time.Minute) // from the transition alone
				if !want.Before(at) {
					if want = wall.Add(-time.Duration(tr.after) * time.Minute); want.Before(at) {
						want = at
					}
				}
				got, err := time.Parse(time.RFC3339, r.Instants[i])
				if err != nil || !got.Equal(want) || r.Local[i] != wall.Format(local) {
					t.Fatalf("%s %s: %s, local %s, want %s of %s", tr.zone, tr.at, r.Instants[i], r.Local[i], want, wall)
				}
			}
		}
	}
}

func TestNext(t *testing.T) {
	for _, c := range []struct {
		name string
		in   NextInput
		want string
	}{
		{"a skipped hour", NextInput{Start: "2026-03-28T01:30:00", Zone: "Europe/Dublin", Rule: "FREQ=DAILY", Count: 3},
			"2026-03-28T01:30:00Z 2026-03-29T02:00:00+01:00 2026-03-30T01:30:00+01:00"},
		{"a doubled hour", NextInput{Start: "2026-10-24T01:30:00", Zone: "Europe/Dublin", Rule: "FREQ=DAILY", Count: 3},
			"2026-10-24T01:30:00+01:00 2026-10-25T01:30:00+01:00 2026-10-26T01:30:00Z"},
		{"half an hour skipped", NextInput{Start: "2026-10-03T02:15:00", Zone: "Australia/Lord_Howe", Rule: "FREQ=DAILY", Count: 2},
			"2026-10-03T02:15:00+10:30 2026-10-04T02:30:00+11:00"},
		{"a skipped midnight", NextInput{Start: "2026-03-28T00:00:00", Zone: "Asia/Beirut", Rule: "FREQ=DAILY", Count: 3},
			"2026-03-28T00:00:00+02:00 2026-03-29T01:00:00+03:00 2026-03-30T00:00:00+03:00"},
		{"after an instant", NextInput{Start: "2026-03-01T06:00:00", Zone: "Europe/Dublin", Rule: "FREQ=WEEKLY;BYDAY=SU", Count: 2, After: ptr("2026-03-22T06:00:00Z")},
			"2026-03-29T06:00:00+01:00 2026-04-05T06:00:00+01:00"},
		{"after a local time, in the doubled hour's first showing", NextInput{Start: "2026-10-25T00:00:00", Zone: "Europe/Dublin", Rule: "FREQ=HOURLY", Count: 3, After: ptr("2026-10-25T01:00:00")},
			"2026-10-25T02:00:00Z 2026-10-25T03:00:00Z 2026-10-25T04:00:00Z"},
		{"local times in a gap fall together", NextInput{Start: "2026-03-29T00:30:00", Zone: "Europe/Dublin", Rule: "FREQ=MINUTELY;INTERVAL=30;COUNT=4", Count: 9},
			"2026-03-29T00:30:00Z 2026-03-29T02:00:00+01:00 2026-03-29T02:00:00+01:00 2026-03-29T02:00:00+01:00"},
		{"UNTIL in UTC is included", NextInput{Start: "1997-09-02T09:00:00", Zone: "America/New_York", Rule: "FREQ=WEEKLY;UNTIL=19970916T130000Z", Count: 9},
			"1997-09-02T09:00:00-04:00 1997-09-09T09:00:00-04:00 1997-09-16T09:00:00-04:00"},
		{"UNTIL a second before", NextInput{Start: "1997-09-02T09:00:00", Zone: "America/New_York", Rule: "rrule:freq=weekly;until=19970916t125959z", Count: 9},
			"1997-09-02T09:00:00-04:00 1997-09-09T09:00:00-04:00"},
		{"UNTIL at the end of time", NextInput{Start: "2199-12-31T09:00:00", Zone: "America/New_York", Rule: "FREQ=HOURLY;INTERVAL=14;UNTIL=21991231T235959Z", Count: 9}, "2199-12-31T09:00:00-05:00"},
		{"a local UNTIL", NextInput{Start: "1997-09-02T09:00:00", Zone: "America/New_York", Rule: "FREQ=WEEKLY;UNTIL=19970909T090000", Count: 9},
			"1997-09-02T09:00:00-04:00 1997-09-09T09:00:00-04:00"},
		{"nothing left", NextInput{Start: "2026-03-01T06:00:00", Zone: "Europe/Dublin", Rule: "FREQ=DAILY;COUNT=3", Count: 2, After: ptr("2027-01-01T00:00:00")}, ""},
		{"UNTIL before the first time, in UTC", NextInput{Start: "2026-03-01T06:00:00", Zone: "Europe/Dublin", Rule: "FREQ=DAILY;UNTIL=20260301T055959Z", Count: 2}, ""},
		{"weeks at the turn of a year", NextInput{Start: "2015-01-01T06:00:00", Zone: "UTC", Rule: "FREQ=YEARLY;BYWEEKNO=53;BYDAY=FR,SA", Count: 3},
			"2016-01-01T06:00:00Z 2016-01-02T06:00:00Z 2021-01-01T06:00:00Z"},
		{"weekdays with and without numbers, numbers no month has", NextInput{Start: "2026-02-01T06:00:00", Zone: "UTC", Rule: "FREQ=MONTHLY;BYDAY=MO,-1FR,53SU,-9SU", Count: 6},
			"2026-02-02T06:00:00Z 2026-02-09T06:00:00Z 2026-02-16T06:00:00Z 2026-02-23T06:00:00Z 2026-02-27T06:00:00Z 2026-03-02T06:00:00Z"},
		{"an offset with seconds", NextInput{Start: "1971-06-01T12:00:00", Zone: "Africa/Monrovia", Rule: "FREQ=DAILY", Count: 1}, "1971-06-01T12:44:30Z"},
		{"a leap year's last day, long after the table ends", NextInput{Start: "2096-12-31T12:00:00", Zone: "Europe/Dublin", Rule: "FREQ=DAILY", Count: 2},
			"2096-12-31T12:00:00Z 2097-01-01T12:00:00Z"},
		{"a year away", NextInput{Start: "2026-01-01T12:00:00", Zone: "America/Vancouver", Rule: "FREQ=DAILY", Count: 1, After: ptr("2026-12-15T00:00:00")}, "2026-12-15T12:00:00-07:00"},
	} {
		r, err := Next(c.in)
		if err != nil || strings.Join(r.Instants, " ") != c.want || r.TZVersion != zones.Version() || len(r.Local) != len(r.Instants) {
			t.Errorf("%s: %+v, %v", c.name, r, err)
		}
	}
}

// Offsets at 12:00 on 2026-12-15 after the changes in the IANA Time Zone
// Database's NEWS (2026b: British Columbia stays on -07; 2026c: Alberta on
// -06, Morocco on +00), and zones without summer time (half a year apart).
func TestZones(t *testing.T) {
	for zone, want := range map[string]string{"America/Vancouver": "-07:00", "America/Edmonton": "-06:00", "Africa/Casablanca": "Z"} {
		if r := ask1(t, NextInput{Start: "2026-12-15T12:00:00", Zone: zone, Rule: "FREQ=DAILY", Count: 1}); r.Instants[0] != "2026-12-15T12:00:00"+want {
			t.Errorf("%s: %v", zone, r)
		}
	}
	for zone, want := range map[string]string{"Asia/Kolkata": "+05:30", "America/Sao_Paulo": "-03:00"} {
		for _, at := range ask1(t, NextInput{Start: "2026-01-15T12:00:00", Zone: zone, Rule: "FREQ=WEEKLY", Count: 50}).Instants {
			if !strings.HasSuffix(at, want) {
				t.Errorf("%s: %s", zone, at)
			}
		}
	}
}

// RFC 5545, 3.8.5.3, as libical's recurrence tests (src/test/icalrecur_test.txt)
// have them.
func TestRFC(t *testing.T) {
	for _, c := range []struct{ start, rule, want string }{
		{"2007-01-15", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007-01-15 2007-01-30 2007-02-15 2007-03-15 2007-03-30"},
		{"1997-09-29", "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2;COUNT=7", "1997-09-29 1997-10-30 1997-11-27 1997-12-30 1998-01-29 1998-02-26 1998-03-30"},
		{"1997-08-05", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997-08-05 1997-08-10 1997-08-19 1997-08-24"},
		{"1997-09-02", "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "1997-09-02 1997-09-04 1997-09-16 1997-09-18 1997-09-30 1997-10-02 1997-10-14 1997-10-16"},
		{"1997-09-30", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", "1997-09-30 1997-10-01 1997-10-31 1997-11-01 1997-11-30 1997-12-01 1997-12-31 1998-01-01 1998-01-31 1998-02-01"},
		{"1997-09-10", "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15", "1997-09-10 1997-09-11 1997-09-12 1997-09-13 1997-09-14 1997-09-15 1999-03-10 1999-03-11 1999-03-12 1999-03-13"},
	} {
		r := ask1(t, NextInput{Start: c.start + "T09:00:00", Zone: "America/New_York", Rule: c.rule, Count: 1000})
		if got := strings.ReplaceAll(strings.Join(r.Local, " "), "T09:00:00", ""); got != c.want {
			t.Errorf("%s: %s", c.rule, got)
		}
	}
}

func TestRefused(t *testing.T) {
	good := NextInput{Start: "2026-03-01T06:00:00", Zone: "Europe/Dublin", Rule: "FREQ=DAILY", Count: 1}
	for _, c := range []struct {
		change func(*NextInput)
		field  string
	}{
		{func(in *NextInput) { in.Count = 0 }, "count"}, {func(in *NextInput) { in.Count = 1001 }, "count"}, {func(in *NextInput) { in.Zone = "Europe" }, "zone"}, {func(in *NextInput) { in.Zone = "Local" }, "zone"},
		{func(in *NextInput) { in.Start = "2026-03-01T06:00:00Z" }, "start"}, {func(in *NextInput) { in.After = ptr("tomorrow") }, "after"}, {func(in *NextInput) { in.After = ptr("2026-03-01") }, "after"},
		{func(in *NextInput) { in.Rule = "FREQ=DAILY;BYEASTER=1" }, "rule"}, {func(in *NextInput) { in.Rule = "FREQ=DAILY;UNTIL=20260401" }, "rule"}, {func(in *NextInput) { in.Rule = "FREQ=DAILY;UNTIL=20260431T000000Z" }, "rule"},
		{func(in *NextInput) { in.Rule = "FREQ=DAILY;UNTIL=22000101T000000Z" }, "rule"}, {func(in *NextInput) { in.Rule = "FREQ=DAILY;UNTIL=20270101T000000Z;UNTIL=20270101T000000Z" }, "rule"},
		{func(in *NextInput) { in.Rule = "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30" }, "rule"}, {func(in *NextInput) { in.Rule = "FREQ=HOURLY;INTERVAL=24;BYHOUR=5" }, "rule"},
		// rrule-go alone would look at every second of a day for one time.
		{func(in *NextInput) { in.Rule = "FREQ=SECONDLY;BYHOUR=3;BYMINUTE=3;BYSECOND=3"; in.Count = 1000 }, "rule"},
		{func(in *NextInput) {
			in.Start, in.Rule, in.Count = "1970-01-01T00:00:00", "FREQ=SECONDLY;INTERVAL=59;BYHOUR=3;BYMINUTE=3;BYSECOND=3;BYMONTH=2;BYMONTHDAY=29", 1000
		}, "rule"},
		{func(in *NextInput) {
			in.Start, in.Rule, in.After = "1970-01-01T00:00:00", "FREQ=MINUTELY;INTERVAL=7;BYMINUTE=0;UNTIL=19700110T000000", ptr("x")
		}, "after"},
	} {
		in := good
		c.change(&in)
		before := time.Now()
		_, err := Next(in)
		var p *input.Problem
		if !errors.As(err, &p) || p.Field != c.field || p.Message == "" {
			t.Errorf("%+v: %v, want a problem of %s", in, err, c.field)
		}
		if took := time.Since(before); took > 10*time.Second {
			t.Errorf("%+v: took %v", in, took)
		}
	}
	if err := named(errors.ErrUnsupported); err != errors.ErrUnsupported {
		t.Error(err)
	}
}

// An answer that rrule-go would not give is refused: here local times that are
// none of the rule's, and a rule that rrule-go refuses.
func TestDisagreement(t *testing.T) {
	r, err := wall.ParseAny("FREQ=DAILY", "2026-03-01T06:00:00")
	if err != nil {
		t.Fatal(err)
	}
	at, _ := r.Next(0)
	if err := agree(r, []int64{at, at + 2*86400000}); err == nil || !strings.Contains(err.Error(), "2026-03-03T06:00:00") {
		t.Errorf("a day left out: %v", err)
	}
	if err := agree(r, []int64{at + 1000}); err == nil {
		t.Error("a time that is none of the rule's is accepted")
	}
	r.BySetPos = []int{400}
	if err := agree(r, []int64{at}); err == nil {
		t.Error("rrule-go's refusal is no refusal")
	}
}

// Random rules of every frequency: both evaluators agree, instants come in
// order, and asking after one goes on with the next.
func TestRandomRules(t *testing.T) {
	rng := rand.New(rand.NewPCG(5545, 3))
	pick := func(list ...string) string { return list[rng.IntN(len(list))] }
	answered := 0
	for range 600 {
		rule := "FREQ=" + pick("YEARLY;BYMONTH=3,10", "YEARLY;BYDAY=2SU,-1FR,MO", "YEARLY;BYYEARDAY=1,-1,88", "YEARLY;BYWEEKNO=1,20,-3;BYDAY=SU,MO", "MONTHLY;BYDAY=MO,-1FR", "MONTHLY;BYMONTHDAY=29,-1", "MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=1,-1",
			"WEEKLY;BYDAY=SU,WE", "WEEKLY;WKST=TH;BYDAY=MO,TH,SU;BYSETPOS=2,-1", "DAILY", "DAILY;BYHOUR=0,1,2;BYMINUTE=0,30;BYSETPOS=-1,2", "HOURLY", "HOURLY;BYMONTHDAY=29,25;BYMINUTE=5,59;BYSETPOS=2", "MINUTELY;BYHOUR=1,2", "SECONDLY;BYMINUTE=59;BYSECOND=59")
		rule += ";INTERVAL=" + pick("1", "2", "3", "5", "11") + pick("", ";COUNT=7", ";UNTIL=20300101T000000Z", ";UNTIL=20300101T000000")
		start := time.Unix(1700000000+int64(rng.IntN(1e8)), 0).UTC().Format(local)
		in := NextInput{Start: start, Zone: pick("Europe/Dublin", "Australia/Lord_Howe", "America/St_Johns", "Asia/Beirut", "UTC"), Rule: rule, Count: 12}
		r, err := Next(in)
		if err != nil {
			if !strings.Contains(err.Error(), "it has none") && !strings.Contains(err.Error(), "so many steps") {
				t.Fatalf("%+v: %v", in, err)
			}
			continue
		}
		answered++
		var last time.Time
		for i, s := range r.Instants {
			at, err := time.Parse(time.RFC3339, s)
			if err != nil || at.Before(last) {
				t.Fatalf("%+v: %v", in, r.Instants)
			}
			last = at
			if i > 0 && i == len(r.Instants)/2 {
				half := in
				half.After, half.Count = &r.Instants[i-1], 1000
				rest := ask1(t, half)
				from := i
				for from < len(r.Instants) && r.Instants[from] == r.Instants[i-1] {
					from++ // those that fell together with it
				}
				if n := min(len(rest.Instants), len(r.Instants)-from); n != len(r.Instants)-from || !slices.Equal(rest.Instants[:n], r.Instants[from:]) {
					t.Fatalf("%+v after %s: %v, want %v", in, *half.After, rest.Instants[:min(n, 12)], r.Instants[from:])
				}
			}
		}
	}
	if answered < 450 {
		t.Errorf("only %d rules had times", answered)
	}
}

// What rrule-go 1.8.2 is not trusted with: 1983-01-01, a Saturday, is in week
// 52 of 1982 (time.ISOWeek). Should this fail, agree can ask it about all weeks.
func TestWeeksThatRRuleGoGetsWrong(t *testing.T) {
	day := time.Date(1983, 1, 1, 6, 0, 0, 0, time.UTC)
	if y, w := day.ISOWeek(); y != 1982 || w != 52 {
		t.Fatalf("week %d of %d", w, y)
	}
	in := NextInput{Start: "1982-12-31T06:00:00", Zone: "UTC", Rule: "FREQ=YEARLY;BYWEEKNO=52;BYDAY=SA", Count: 2}
	if r := ask1(t, in); r.Local[0] != "1983-01-01T06:00:00" || r.Local[1] != "1983-12-31T06:00:00" {
		t.Errorf("%v", r.Local)
	}
	r, err := wall.ParseAny(in.Rule, in.Start)
	if err != nil {
		t.Fatal(err)
	}
	iterator, err := ask(r, day.UnixMilli())
	if err != nil {
		t.Fatal(err)
	}
	if at, _ := iterator(); at.Equal(day) {
		t.Error("rrule-go has it right")
	}
}

// Any rule, start, zone and instant gives times or a problem of its field.
func FuzzNext(f *testing.F) {
	f.Add("FREQ=WEEKLY;BYDAY=MO;UNTIL=20300101T000000Z", "2026-03-29T05:30:00", "Europe/Dublin", "2026-03-29T05:30:00Z")
	f.Add("FREQ=MONTHLY;BYDAY=-9SU,MO;BYSETPOS=-1,3", "1970-01-01T00:00:00", "Pacific/Apia", "2199-12-31T23:59:59")
	f.Add("FREQ=SECONDLY;INTERVAL=7;BYHOUR=3;BYMINUTE=3", "2199-12-31T00:00:00", "UTC", "")
	f.Fuzz(func(t *testing.T, rule, start, zone, after string) {
		in := NextInput{Start: start, Zone: zone, Rule: rule, Count: 5}
		if after != "" {
			in.After = &after
		}
		r, err := Next(in)
		var p *input.Problem
		switch {
		case err != nil && (!errors.As(err, &p) || !slices.Contains([]string{"rule", "start", "zone", "after"}, p.Field)):
			t.Fatal(err)
		case err != nil && strings.Contains(err.Error(), "one way"):
			t.Fatalf("%+v: %v", in, err)
		case err == nil && (len(r.Instants) > 5 || len(r.Local) != len(r.Instants)):
			t.Fatalf("%+v: %+v", in, r)
		}
	})
}
