package wall

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"
)

const begin = "2026-03-01T06:00:00"

func TestRefused(t *testing.T) {
	for _, c := range []struct{ rule, part string }{
		{"", "separated by semicolons"}, {"FREQ", "separated by semicolons"}, {"FREQ=", "separated by semicolons"}, {"FREQ=DAILY;", "separated by semicolons"}, {"FREQ=DAILY=2", "separated by semicolons"},
		{"FREQ=DAILY;;COUNT=2", "separated by semicolons"}, {"INTERVAL=2", "FREQ"}, {"FREQ=FORTNIGHTLY", "FREQ"}, {"FREQ=DAILY;FREQ=DAILY", "once only"},
		{"FREQ=DAILY;COUNT=2;UNTIL=20270101T000000", "both"}, {"FREQ=DAILY;INTERVAL=0", "INTERVAL"}, {"FREQ=DAILY;INTERVAL=-1", "INTERVAL"}, {"FREQ=DAILY;INTERVAL=1000001", "INTERVAL"},
		{"FREQ=DAILY;INTERVAL=99999999999999999999", "INTERVAL"}, {"FREQ=DAILY;COUNT=0", "COUNT"}, {"FREQ=DAILY;COUNT=+3", "COUNT"}, {"FREQ=DAILY;COUNT=1.5", "COUNT"},
		{"FREQ=DAILY;UNTIL=20270101", "UNTIL"}, {"FREQ=DAILY;UNTIL=20270101T000000Z", "without Z"}, {"FREQ=DAILY;UNTIL=20270230T000000", "exists"}, {"FREQ=DAILY;UNTIL=22000101T000000", "2199"}, {"FREQ=DAILY;UNTIL=2027x101T000000", "exists"},
		{"FREQ=DAILY;BYEASTER=0", "BYEASTER"}, {"FREQ=DAILY;DTSTART=20260101T000000", "DTSTART"}, {"FREQ=DAILY;X-FOO=1", "X-FOO"}, {"FREQ=DAILY;BYDAY=1MO", "BYDAY"}, {"FREQ=WEEKLY;BYDAY=-1SU", "BYDAY"},
		{"FREQ=YEARLY;BYWEEKNO=20;BYDAY=1MO", "BYWEEKNO"}, {"FREQ=MONTHLY;BYWEEKNO=20", "BYWEEKNO"}, {"FREQ=MONTHLY;BYYEARDAY=20", "BYYEARDAY"}, {"FREQ=DAILY;BYYEARDAY=20", "BYYEARDAY"}, {"FREQ=WEEKLY;BYMONTHDAY=20", "BYMONTHDAY"},
		{"FREQ=MONTHLY;BYSETPOS=1", "BYSETPOS"}, {"FREQ=MONTHLY;BYDAY=MO;BYSETPOS=0", "BYSETPOS"}, {"FREQ=MONTHLY;BYDAY=0MO", "BYDAY"}, {"FREQ=MONTHLY;BYDAY=54MO", "BYDAY"}, {"FREQ=MONTHLY;BYDAY=MON", "BYDAY"}, {"FREQ=MONTHLY;BYDAY=M", "BYDAY"},
		{"FREQ=MONTHLY;BYDAY=MO,", "BYDAY"}, {"FREQ=MONTHLY;BYMONTHDAY=0", "BYMONTHDAY"}, {"FREQ=MONTHLY;BYMONTHDAY=32", "BYMONTHDAY"}, {"FREQ=MONTHLY;BYMONTHDAY=--1", "BYMONTHDAY"}, {"FREQ=YEARLY;BYMONTH=13", "BYMONTH"}, {"FREQ=YEARLY;BYMONTH=+1", "BYMONTH"},
		{"FREQ=YEARLY;BYYEARDAY=367", "BYYEARDAY"}, {"FREQ=YEARLY;BYWEEKNO=-54", "BYWEEKNO"}, {"FREQ=DAILY;BYHOUR=24", "BYHOUR"}, {"FREQ=DAILY;BYMINUTE=60", "BYMINUTE"}, {"FREQ=DAILY;BYSECOND=61", "BYSECOND"}, {"FREQ=DAILY;WKST=1MO", "WKST"},
		{"DTSTART:20260101T000000\nRRULE:FREQ=DAILY", "DTSTART"}, {strings.Repeat("FREQ=DAILY;", 200) + "COUNT=1", "2000"},
		{"FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "it has none"}, {"FREQ=DAILY;UNTIL=20260301T055959", "it has none"}, {"FREQ=MONTHLY;BYDAY=6MO", "it has none"}, {"FREQ=HOURLY;INTERVAL=24;BYHOUR=5", "it has none"},
	} {
		r, err := ParseAny(c.rule, begin)
		var p *Problem
		if !errors.As(err, &p) || p.Field != "rule" || !strings.Contains(p.Message, c.part) || err.Error() != "rule "+p.Message {
			t.Errorf("%s: %v, %v, want %q", c.rule, r, err, c.part)
		}
	}
	for _, start := range []string{"", "2026-03-01", "2026-03-01T06:00", "2026-03-01T06:00:00Z", "2026-02-29T06:00:00", "2026-13-01T06:00:00", "1969-12-31T23:59:59", "2200-01-01T00:00:00", "2026-03-01 06:00:00", "2026-03-01T24:00:00", "2026-03-01T06:60:00"} {
		_, err := ParseAny("FREQ=DAILY", start)
		var p *Problem
		if !errors.As(err, &p) || p.Field != "start" {
			t.Errorf("%q: %v", start, err)
		}
	}
	for _, freq := range freqNames {
		if _, err := Parse("FREQ="+freq, begin); (err == nil) != (freq[0] == 'Y' || freq == "MONTHLY" || freq[0] == 'W' || freq[0] == 'D') {
			t.Errorf("%s for a cadence: %v", freq, err)
		}
	}
	if _, err := Parse("FREQ=DAILY;BYHOUR=24", begin); err == nil {
		t.Error("hour 24 for a cadence")
	}
}

// What is written in another way is the same rule.
func TestSameRule(t *testing.T) {
	first := func(rule string) []int64 {
		var out []int64
		parse(t, rule, begin).Locals(0, 1<<62, func(at int64) bool { out = append(out, at); return len(out) < 20 })
		return out
	}
	for _, c := range [][2]string{
		{"RRULE:freq=weekly;byday=mo,we", "FREQ=WEEKLY;BYDAY=WE,MO,WE"}, {"BYMONTHDAY=+5,-2;FREQ=MONTHLY", "FREQ=MONTHLY;BYMONTHDAY=-2,5"},
		{"FREQ=MINUTELY;BYSECOND=60", "FREQ=MINUTELY;BYSECOND=59"}, {"FREQ=MINUTELY;BYSECOND=59,60", "FREQ=MINUTELY;BYSECOND=59"},
		// Weekdays with and without numbers are alternatives: all Mondays and the last Friday.
		{"FREQ=MONTHLY;BYDAY=MO,-1FR", "FREQ=MONTHLY;BYDAY=1MO,2MO,3MO,4MO,5MO,-1FR"},
		{"FREQ=YEARLY;BYMONTH=3,11;BYDAY=2SU", "FREQ=MONTHLY;BYMONTH=3,11;BYDAY=SU;BYSETPOS=2"},
		{"FREQ=SECONDLY;BYHOUR=7;BYMINUTE=0;BYSECOND=0", "FREQ=DAILY;BYHOUR=7"}, {"FREQ=MINUTELY;BYHOUR=7;BYMINUTE=30", "FREQ=DAILY;BYHOUR=7;BYMINUTE=30"},
	} {
		if a, b := first(c[0]), first(c[1]); !slices.Equal(a, b) {
			t.Errorf("%s: %v\n%s: %v", c[0], a, c[1], b)
		}
	}
}

// A first week's set is a whole week, also where the start lies within it: of
// Monday, Wednesday, Friday the second is Wednesday, before a start on Thursday.
func TestFirstWeekIsWhole(t *testing.T) {
	r := parse(t, "FREQ=WEEKLY;BYDAY=MO,WE,FR;BYSETPOS=2", "2026-03-05T06:00:00")
	if at, _ := r.Next(0); show(at) != "2026-03-11T06:00:00" {
		t.Errorf("%s", show(at))
	}
}

// Rules made to cost much are answered or refused within two million steps,
// which are counted; the time is only to find what does not count.
func TestHostile(t *testing.T) {
	all := func(n int) string {
		var items []string
		for i := range n {
			items = append(items, decimal(int64(i)))
		}
		return strings.Join(items, ",")
	}
	positions := ";BYSETPOS=" + all(366)[2:]
	times := ";BYHOUR=" + all(24) + ";BYMINUTE=" + all(60) + ";BYSECOND=" + all(60)
	for _, c := range []struct {
		rule    string
		refused bool
	}{
		{"FREQ=SECONDLY;BYMONTH=2;BYMONTHDAY=30", true}, {"FREQ=SECONDLY;INTERVAL=60;BYSECOND=30", true}, {"FREQ=SECONDLY;INTERVAL=7;BYHOUR=3;BYMINUTE=3;BYSECOND=3;BYMONTH=2;BYMONTHDAY=30", true},
		{"FREQ=SECONDLY;BYHOUR=3;BYSETPOS=2", true}, {"FREQ=SECONDLY;COUNT=1000000", false}, {"FREQ=SECONDLY;COUNT=1000000;BYHOUR=1;BYMINUTE=1;BYSECOND=1", true}, {"FREQ=MINUTELY;INTERVAL=1440;BYHOUR=5", true},
		{"FREQ=HOURLY;INTERVAL=1000000", false}, {"FREQ=YEARLY;INTERVAL=1000000", false}, {"FREQ=DAILY;INTERVAL=1000000", false}, {"FREQ=WEEKLY;INTERVAL=1000000;BYDAY=SA", true}, {"FREQ=MONTHLY;INTERVAL=1000000;BYMONTHDAY=-1", false},
		{"FREQ=YEARLY;BYDAY=MO,TU,WE,TH,FR,SA,SU" + times, false}, {"FREQ=YEARLY;COUNT=1000000;BYDAY=MO,TU,WE,TH,FR,SA,SU" + times, false}, {"FREQ=YEARLY;BYDAY=MO,TU,WE,TH,FR,SA,SU;BYSETPOS=-366,366" + times, false},
		{"FREQ=MINUTELY;BYMONTH=2;BYMONTHDAY=29;BYSECOND=" + all(60) + positions, false}, {"FREQ=MINUTELY;INTERVAL=7;COUNT=1000000;BYSECOND=" + all(60) + positions, true}, {"FREQ=SECONDLY;COUNT=1000000;BYYEARDAY=" + all(367)[2:], false},
		{"FREQ=DAILY;COUNT=1000000", false}, {"FREQ=YEARLY;BYWEEKNO=53;BYYEARDAY=200", true}, {"FREQ=MONTHLY;BYDAY=53SU", true}, {"FREQ=DAILY;BYMONTH=2;BYMONTHDAY=29;BYDAY=SU", false},
	} {
		before := time.Now()
		r, err := ParseAny(c.rule, begin)
		if (err != nil) != c.refused {
			t.Errorf("%.60s: %v", c.rule, err)
		}
		if r != nil && err == nil {
			r.Next(4e12)
			r.Prev(7e12)
		}
		took := time.Since(before)
		t.Logf("%.60s: %v", c.rule, took)
		if took > 10*time.Second {
			t.Errorf("%.60s: took %v", c.rule, took)
		}
	}
}

// Walk gives up when its steps are used.
func TestWalkGivesUp(t *testing.T) {
	r := parse(t, "FREQ=DAILY", begin)
	n := 0
	if r.Walk(0, 1<<62, 100, func(int64) bool { n++; return true }) || n < 40 || n > 100 {
		t.Errorf("%d times in 100 steps", n)
	}
	if !r.Walk(0, 1<<62, 1e6, func(int64) bool { return false }) {
		t.Error("a walk that was ended did not come to its end")
	}
	if !parse(t, "FREQ=DAILY;COUNT=3", begin).Walk(4e12, 1<<62, 10, func(int64) bool { t.Error("after the end"); return true }) {
		t.Error("nothing to find takes steps")
	}
	if _, ok := r.Prev(-1); ok {
		t.Error("before the start")
	}
}

func TestPeriodStart(t *testing.T) {
	at := time.Date(2026, 3, 5, 6, 7, 8, 0, time.UTC).UnixMilli()
	for freq, want := range map[string]string{
		"YEARLY": "2026-01-01T00:00:00", "MONTHLY": "2026-03-01T00:00:00", "WEEKLY": "2026-03-02T00:00:00", "WEEKLY;WKST=SU": "2026-03-01T00:00:00",
		"DAILY": "2026-03-05T00:00:00", "HOURLY": "2026-03-05T06:00:00", "MINUTELY": "2026-03-05T06:07:00", "SECONDLY": "2026-03-05T06:07:08",
	} {
		if got := show(parse(t, "FREQ="+freq, begin).PeriodStart(at)); got != want {
			t.Errorf("%s: %s, want %s", freq, got, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, c := range rfc5545 {
		f.Add(c.rule)
	}
	f.Fuzz(func(t *testing.T, rule string) {
		r, err := ParseAny(rule, begin)
		if err != nil {
			if p, ok := err.(*Problem); !ok || !strings.HasPrefix(p.Message, "must ") && !strings.HasPrefix(p.Message, "has ") {
				t.Fatalf("%q: %v", rule, err)
			}
			return
		}
		if at, ok := r.Next(0); !ok || at < r.start*1000 {
			t.Fatalf("%q: first %d, %v", rule, at, ok)
		}
	})
}
