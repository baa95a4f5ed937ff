package cadence

import (
	"testing"
	"time"
	_ "time/tzdata" // the zones below, whatever the machine has

	"gatewright/schema/num"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// utc reads an instant such as 2026-03-29T01:00Z.
func utc(t testing.TB, s string) int64 {
	t.Helper()
	x, err := time.Parse("2006-01-02T15:04Z", s)
	if err != nil {
		t.Fatal(err)
	}
	return x.UnixMilli()
}

func show(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05Z") }

// transitions2026 are transitions of the IANA Time Zone Database (rule lines
// EU, Eire, NZ, Chatham, US, LH), offsets in minutes: the reference case
// "tz-transitions-2026".
var transitions2026 = []struct {
	zone, at      string
	before, after int64
}{
	{"Europe/Dublin", "2026-03-29T01:00Z", 0, 60},
	{"Europe/Dublin", "2026-10-25T01:00Z", 60, 0},
	{"Europe/Amsterdam", "2026-03-29T01:00Z", 60, 120},
	{"Europe/Amsterdam", "2026-10-25T01:00Z", 120, 60},
	{"Pacific/Auckland", "2026-04-04T14:00Z", 780, 720},
	{"Pacific/Auckland", "2026-09-26T14:00Z", 720, 780},
	{"America/Chicago", "2026-03-08T08:00Z", -360, -300},
	{"America/Chicago", "2026-11-01T07:00Z", -300, -360},
	{"Australia/Lord_Howe", "2026-04-04T15:00Z", 660, 630},
	{"Australia/Lord_Howe", "2026-10-03T15:30Z", 630, 660},
	{"Pacific/Chatham", "2026-04-04T14:00Z", 825, 765},
	{"Pacific/Chatham", "2026-09-26T14:00Z", 765, 825},
	{"America/Toronto", "2026-03-08T07:00Z", -300, -240},
	{"America/Toronto", "2026-11-01T06:00Z", -240, -300},
}

// Around every transition, a daily boundary at any time of day comes exactly
// once a date: in a gap at its end, in a doubled stretch at the first showing.
func TestDailyAcrossTransitions(t *testing.T) {
	for _, tr := range transitions2026 {
		loc, at := zone(t, tr.zone), utc(t, tr.at)
		if b, a := offset(loc, at-1), offset(loc, at); b != tr.before*minuteMs || a != tr.after*minuteMs {
			t.Fatalf("%s %s: offsets %d, %d", tr.zone, tr.at, b, a)
		}
		for by := 0; by <= 1440; by += 5 {
			r := Rule{Every: EveryDay, N: 1, By: by}
			want := func(date int64) int64 { // from the transition alone
				local := date*dayMs + int64(by)*minuteMs
				if local-tr.before*minuteMs < at {
					return local - tr.before*minuteMs
				}
				return max(at, local-tr.after*minuteMs)
			}
			d := num.FloorDiv(at+tr.before*minuteMs, dayMs) - 3
			got := r.Next(loc, want(d)-1)
			for range 7 {
				if got != want(d) {
					t.Fatalf("%s %s by %d: %s, want %s", tr.zone, tr.at, by, show(got), show(want(d)))
				}
				if p := r.Prev(loc, got); p != got {
					t.Fatalf("%s %s by %d: Prev(%s) = %s", tr.zone, tr.at, by, show(got), show(p))
				}
				got, d = r.Next(loc, got), d+1
			}
		}
	}
}

func TestBoundaries(t *testing.T) {
	twice := []Milking{{330, 480}, {960, 1110}}   // 05:30-08:00, 16:00-18:30
	shifts := []Milking{{360, 1080}, {1080, 360}} // round the clock
	tests := []struct {
		name, zone string
		rule       Rule
		anchor     string
		after      string
		want       []string
	}{
		{"Dublin spring: 01:30 does not exist", "Europe/Dublin", Rule{Every: EveryDay, By: 90}, "", "2026-03-28T01:30Z",
			[]string{"2026-03-29T01:00:00Z", "2026-03-30T00:30:00Z"}},
		{"Dublin autumn: 01:30 comes twice", "Europe/Dublin", Rule{Every: EveryDay, By: 90}, "", "2026-10-24T00:30Z",
			[]string{"2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z"}},
		{"Lord Howe spring: 02:15 lies in a gap of 30 minutes", "Australia/Lord_Howe", Rule{Every: EveryDay, By: 135}, "", "2026-10-02T16:00Z",
			[]string{"2026-10-03T15:30:00Z", "2026-10-04T15:15:00Z"}},
		{"Lord Howe autumn: 01:45 comes twice", "Australia/Lord_Howe", Rule{Every: EveryDay, By: 105}, "", "2026-04-03T14:45Z",
			[]string{"2026-04-04T14:45:00Z", "2026-04-05T15:15:00Z"}},
		{"midnight that is skipped", "Asia/Beirut", Rule{Every: EveryDay, By: 1440}, "", "2026-03-27T22:00Z",
			[]string{"2026-03-28T22:00:00Z", "2026-03-29T21:00:00Z"}},
		{"every third day from its anchor", "Europe/Dublin", Rule{Every: EveryDay, N: 3, By: 720}, "2026-01-01T09:00Z", "2026-01-01T12:00Z",
			[]string{"2026-01-04T12:00:00Z", "2026-01-07T12:00:00Z"}},
		{"a day series goes on before its anchor", "Europe/Dublin", Rule{Every: EveryDay, N: 3, By: 720}, "2026-01-10T09:00Z", "2025-12-31T12:00Z",
			[]string{"2026-01-01T12:00:00Z", "2026-01-04T12:00:00Z"}},
		{"the week ends on Sunday night", "Europe/Dublin", Rule{Every: EveryWeek, By: 1440}, "2026-01-01T00:00Z", "2026-03-22T12:00Z",
			[]string{"2026-03-23T00:00:00Z", "2026-03-29T23:00:00Z"}},
		{"every second Wednesday at noon", "Europe/Dublin", Rule{Every: EveryWeek, N: 2, By: 720, On: 3}, "2026-03-19T00:00Z", "2026-03-18T11:00Z",
			[]string{"2026-03-18T12:00:00Z", "2026-04-01T11:00:00Z"}},
		{"the month ends on its last day", "Europe/Dublin", Rule{Every: EveryMonth, By: 1440}, "2026-01-15T00:00Z", "2026-01-15T00:00Z",
			[]string{"2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z", "2026-03-31T23:00:00Z"}},
		{"the 30th of February is the 28th", "Europe/Dublin", Rule{Every: EveryMonth, By: 720, On: 30}, "2026-01-15T00:00Z", "2026-01-31T00:00Z",
			[]string{"2026-02-28T12:00:00Z", "2026-03-30T11:00:00Z"}},
		{"every quarter, across the year", "Europe/Dublin", Rule{Every: EveryMonth, N: 3, By: 720, On: 1}, "2025-11-15T00:00Z", "2025-11-15T00:00Z",
			[]string{"2026-02-01T12:00:00Z", "2026-05-01T11:00:00Z"}},
		{"two milkings a day, over the spring night", "Europe/Dublin", Rule{Every: EveryMilking, Milkings: twice}, "", "2026-03-28T08:00Z",
			[]string{"2026-03-28T18:30:00Z", "2026-03-29T07:00:00Z", "2026-03-29T17:30:00Z"}},
		{"shifts over the autumn night", "Europe/Dublin", Rule{Every: EveryMilking, Milkings: shifts}, "", "2026-10-24T12:00Z",
			[]string{"2026-10-24T17:00:00Z", "2026-10-25T06:00:00Z", "2026-10-25T18:00:00Z"}},
		{"a milking to midnight", "Europe/Dublin", Rule{Every: EveryMilking, Milkings: []Milking{{1200, 1440}}}, "", "2026-01-01T12:00Z",
			[]string{"2026-01-02T00:00:00Z", "2026-01-03T00:00:00Z"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			loc := zone(t, tt.zone)
			if tt.anchor != "" {
				tt.rule.Anchor = utc(t, tt.anchor)
			}
			at := utc(t, tt.after)
			for _, want := range tt.want {
				at = tt.rule.Next(loc, at)
				if show(at) != want {
					t.Fatalf("got %s, want %s", show(at), want)
				}
			}
			for i := len(tt.want) - 1; i >= 0; i-- {
				if at = tt.rule.Prev(loc, at); show(at) != tt.want[i] {
					t.Fatalf("backwards: got %s, want %s", show(at), tt.want[i])
				}
				at--
			}
		})
	}
}

func TestAdd(t *testing.T) {
	tests := []struct {
		name, zone string
		rule       Rule
		from, want string
	}{
		{"a day over the spring night keeps the local time", "Europe/Dublin", Rule{Every: EveryDay}, "2026-03-28T09:00Z", "2026-03-29T08:00:00Z"},
		{"a day into the gap", "Europe/Dublin", Rule{Every: EveryDay}, "2026-03-28T01:30Z", "2026-03-29T01:00:00Z"},
		{"a day into the doubled hour", "Europe/Dublin", Rule{Every: EveryDay}, "2026-10-24T00:30Z", "2026-10-25T00:30:00Z"},
		{"a day from the second showing of the doubled hour", "Europe/Dublin", Rule{Every: EveryDay}, "2026-10-25T01:30Z", "2026-10-26T01:30:00Z"},
		{"two weeks", "Europe/Dublin", Rule{Every: EveryWeek, N: 2}, "2026-03-20T09:00Z", "2026-04-03T08:00:00Z"},
		{"a month from the 31st", "Europe/Dublin", Rule{Every: EveryMonth}, "2026-01-31T09:00Z", "2026-02-28T09:00:00Z"},
		{"a year from a leap day", "Europe/Dublin", Rule{Every: EveryMonth, N: 12}, "2028-02-29T09:00Z", "2029-02-28T09:00:00Z"},
		{"Lord Howe, into its gap", "Australia/Lord_Howe", Rule{Every: EveryDay}, "2026-10-02T15:45Z", "2026-10-03T15:30:00Z"},
		{"three milkings", "Europe/Dublin", Rule{Every: EveryMilking, N: 3, Milkings: []Milking{{330, 480}, {960, 1110}}}, "2026-01-01T08:00Z", "2026-01-02T18:30:00Z"},
	}
	for _, tt := range tests {
		if got := show(tt.rule.Add(zone(t, tt.zone), utc(t, tt.from))); got != tt.want {
			t.Errorf("%s: got %s, want %s", tt.name, got, tt.want)
		}
	}
}

func TestDays(t *testing.T) {
	tests := []struct{ name, zone, at, start, next string }{
		{"an ordinary day", "Europe/Dublin", "2026-01-01T12:00Z", "2026-01-01T00:00:00Z", "2026-01-02T00:00:00Z"},
		{"23 hours", "Europe/Dublin", "2026-03-29T12:00Z", "2026-03-29T00:00:00Z", "2026-03-29T23:00:00Z"},
		{"25 hours", "Europe/Dublin", "2026-10-25T12:00Z", "2026-10-24T23:00:00Z", "2026-10-26T00:00:00Z"},
		{"a day that begins at 01:00", "Asia/Beirut", "2026-03-29T12:00Z", "2026-03-28T22:00:00Z", "2026-03-29T21:00:00Z"},
		{"clocks back over midnight: the day lasts 25 hours", "America/Sao_Paulo", "2018-02-18T02:30Z", "2018-02-17T02:00:00Z", "2018-02-18T03:00:00Z"},
		{"a date that never was", "Pacific/Apia", "2011-12-30T09:00Z", "2011-12-29T10:00:00Z", "2011-12-30T10:00:00Z"},
		{"and the one after it", "Pacific/Apia", "2011-12-30T10:00Z", "2011-12-30T10:00:00Z", "2011-12-31T10:00:00Z"},
		// Until 2011 clocks in St John's went back at 00:01, to 23:01 of the
		// day before; the new date, once begun, goes on.
		{"a date that begins twice", "America/St_Johns", "2010-11-07T02:40Z", "2010-11-07T02:30:00Z", "2010-11-08T03:30:00Z"},
	}
	for _, tt := range tests {
		loc, at := zone(t, tt.zone), utc(t, tt.at)
		if s, n := show(DayStart(loc, at)), show(NextDay(loc, at)); s != tt.start || n != tt.next {
			t.Errorf("%s: got %s to %s, want %s to %s", tt.name, s, n, tt.start, tt.next)
		}
	}
}

func TestNothingToFind(t *testing.T) {
	r := Rule{Every: EveryMilking}
	if r.Prev(time.UTC, 0) != Before || r.Next(time.UTC, 0) != Never || r.Add(time.UTC, 0) != Never {
		t.Error("a milking rule without milkings has boundaries")
	}
	day := Rule{Every: EveryDay, By: 1440, Anchor: Never}
	for _, at := range []int64{Before, Never} { // must end, and not overflow
		p, n, a := day.Prev(time.UTC, at), day.Next(time.UTC, at), day.Add(time.UTC, at)
		if p > at || n < at || a < at || DayStart(time.UTC, at) == NextDay(time.UTC, at) {
			t.Errorf("at %d: %d, %d, %d", at, p, n, a)
		}
	}
}

// On the last day of a leap year the standard library's ZoneBounds ends before
// the instant that it was asked about.
func TestLastDayOfLeapYear(t *testing.T) {
	for _, name := range zones {
		loc := zone(t, name)
		for _, year := range []string{"2024", "2028", "2096"} {
			noon := utc(t, year+"-12-31T12:00Z")
			r := Rule{Every: EveryDay, By: 720}
			at := r.Prev(loc, noon-3*dayMs)
			for range 6 {
				next := r.Next(loc, at)
				if next-at != dayMs || DayStart(loc, next) != next-dayMs/2 || NextDay(loc, at) != next-dayMs/2 {
					t.Fatalf("%s: %s after %s, day %s to %s", name, show(next), show(at), show(DayStart(loc, next)), show(NextDay(loc, next)))
				}
				at = next
			}
		}
	}
}

func offset(loc *time.Location, t int64) int64 { return (&clock{loc: loc}).offset(t) }
