package wall

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/teambition/rrule-go"
)

// randomRule writes a rule that RFC 5545 allows, and a start.
func randomRule(rng *rand.Rand) (rule, start string) {
	freq := rng.IntN(7)
	if rng.IntN(2) > 0 {
		freq = rng.IntN(4)
	}
	parts := []string{"FREQ=" + freqNames[freq]}
	some := func(of int) bool { return rng.IntN(of) == 0 }
	list := func(name string, low, high int, negative bool) {
		var items []string
		for range 1 + rng.IntN(4) {
			n := low + rng.IntN(high-low+1)
			if negative && some(3) {
				n = -n
			}
			items = append(items, fmt.Sprint(n))
		}
		parts = append(parts, name+"="+strings.Join(items, ","))
	}
	by := len(parts)
	if some(4) {
		list("BYMONTH", 1, 12, false)
	}
	if freq != int(Weekly) && some(4) {
		list("BYMONTHDAY", 1, 31, true)
	}
	if freq != int(Monthly) && freq != int(Weekly) && freq != int(Daily) && some(6) {
		list("BYYEARDAY", 1, 366, true)
	}
	if some(3) {
		var items []string
		nth := freq <= int(Monthly) && some(2) // with numbers or without: mixed, the oracle errs
		most := 53
		if freq == int(Monthly) || slices.ContainsFunc(parts, func(p string) bool { return strings.HasPrefix(p, "BYMONTH=") }) {
			most = 5 // the oracle reads beyond its tables otherwise
		}
		for range 1 + rng.IntN(4) {
			item := weekdayNames[rng.IntN(7)]
			if nth {
				n := 1 + rng.IntN(min(most, 1+rng.IntN(most)))
				if some(2) {
					n = -n
				}
				item = fmt.Sprintf("%+d%s", n, item)
			}
			items = append(items, item)
		}
		parts = append(parts, "BYDAY="+strings.Join(items, ","))
	}
	if some(4) {
		list("BYHOUR", 0, 23, false)
	}
	if some(4) {
		list("BYMINUTE", 0, 59, false)
	}
	if some(6) {
		list("BYSECOND", 0, 59, false)
	}
	if len(parts) > by && some(3) {
		parts = append(parts, fmt.Sprintf("BYSETPOS=%d", []int{1, 2, 3, -1, -2, -4}[rng.IntN(6)]))
	}
	if some(2) {
		parts = append(parts, fmt.Sprintf("INTERVAL=%d", 1+rng.IntN([]int{3, 15, 120}[rng.IntN(3)])))
	}
	if some(3) {
		parts = append(parts, "WKST="+weekdayNames[rng.IntN(7)])
	}
	switch rng.IntN(4) {
	case 0:
		parts = append(parts, fmt.Sprintf("COUNT=%d", 1+rng.IntN(40)))
	case 1:
		parts = append(parts, time.Unix(int64(rng.IntN(4e8))+1e9, 0).UTC().Format("UNTIL=20060102T150405"))
	}
	rng.Shuffle(len(parts), func(i, j int) { parts[i], parts[j] = parts[j], parts[i] })
	return strings.Join(parts, ";"), time.Unix(int64(rng.IntN(14e8)), 0).UTC().Format("2006-01-02T15:04:05")
}

// unique takes doubles out of the lists, which make the oracle say times twice.
func unique(o *rrule.ROption) {
	for _, l := range []*[]int{&o.Bymonth, &o.Bymonthday, &o.Byyearday, &o.Byhour, &o.Byminute, &o.Bysecond} {
		slices.Sort(*l)
		*l = slices.Compact(*l)
	}
}

// Thousands of random rules of every frequency against rrule-go: the first 30
// times. Rules that this package refuses as having no time, the oracle would
// look for until the year 9999.
func TestAgainstRRuleGo(t *testing.T) {
	rng := rand.New(rand.NewPCG(5545, 1))
	seen, empty, times := map[Freq]int{}, 0, 0
	for range 3000 {
		rule, start := randomRule(rng)
		r, err := ParseAny(rule, start)
		if err != nil {
			if !strings.Contains(err.Error(), "it has none") && !strings.Contains(err.Error(), "so many steps") {
				t.Fatalf("%s from %s: %v", rule, start, err)
			}
			empty++
			continue
		}
		var got []string
		r.Locals(0, 1<<62, func(at int64) bool {
			got = append(got, show(at))
			return len(got) < 30
		})
		if last, err := time.Parse("2006-01-02T15:04:05", got[len(got)-1]); err != nil || r.Freq > Daily && (last.Unix()-r.start)/r.unit()/r.Interval > 20_000 {
			continue // the oracle would take long
		}
		option, err := rrule.StrToROption(rule)
		if err != nil {
			t.Fatalf("%s: the oracle: %v", rule, err)
		}
		option.Dtstart = time.Unix(r.start, 0).UTC()
		unique(option)
		if r.Freq == Weekly && r.BySetPos != nil {
			// The oracle cuts the first week at the start; give it whole weeks.
			option.Dtstart = time.UnixMilli(r.PeriodStart(r.start * 1000)).UTC()
			option.Count = 0
			option.Byhour, option.Byminute, option.Bysecond = r.ByHour, r.ByMinute, r.BySecond
			option.Byweekday = nil
			for _, d := range r.ByDay {
				option.Byweekday = append(option.Byweekday, []rrule.Weekday{rrule.MO, rrule.TU, rrule.WE, rrule.TH, rrule.FR, rrule.SA, rrule.SU}[d.Weekday])
			}
		}
		oracle, err := rrule.NewRRule(*option)
		if err != nil {
			t.Fatalf("%s: the oracle: %v", rule, err)
		}
		next := oracle.Iterator()
		for i := 0; i < len(got); {
			at, ok := next()
			if ok && at.Unix() < r.start {
				continue
			}
			if want := at.Format("2006-01-02T15:04:05"); !ok || got[i] != want {
				t.Fatalf("%s from %s: %d is %s, want %s (%v)", rule, start, i, got[i], want, ok)
			}
			i++
			times++
		}
		if len(got) < 30 && (r.Count > 0 || r.Until < lastSecond) {
			// The end: the oracle has no more either, or ours stopped where COUNT says.
			if r.Freq == Weekly && r.BySetPos != nil {
				if r.Count > 0 && int64(len(got)) != r.Count && r.Interval < 10 {
					t.Fatalf("%s from %s: %d times", rule, start, len(got))
				}
			} else if at, ok := next(); ok && at.Unix() <= lastSecond {
				t.Fatalf("%s from %s: ends, but the oracle goes on at %s", rule, start, at)
			}
		}
		seen[r.Freq]++
	}
	t.Logf("rules by frequency %v, %d without any time, %d times compared", seen, empty, times)
	for f := Yearly; f <= Secondly; f++ {
		if seen[f] < 60 {
			t.Errorf("only %d rules of %s were compared", seen[f], freqNames[f])
		}
	}
}

// Locals, Next and Prev tell the same from anywhere.
func TestQuestionsAgree(t *testing.T) {
	rng := rand.New(rand.NewPCG(5545, 2))
	checked := 0
	for range 800 {
		rule, start := randomRule(rng)
		r, err := ParseAny(rule, start)
		if err != nil {
			continue
		}
		var all []int64
		r.Locals(0, 1<<62, func(at int64) bool {
			all = append(all, at)
			return len(all) < 60
		})
		if !slices.IsSorted(all) || len(slices.Compact(slices.Clone(all))) != len(all) {
			t.Fatalf("%s from %s: not ascending", rule, start)
		}
		for range 6 {
			i := rng.IntN(len(all))
			at := all[i] + []int64{-1, 0, 1, 500}[rng.IntN(4)]
			first, _ := slices.BinarySearch(all, at+1)
			if first == len(all) {
				continue
			}
			if next, ok := r.Next(at); !ok || next != all[first] {
				t.Fatalf("%s from %s: Next(%s) = %s, want %s", rule, start, show(at), show(next), show(all[first]))
			}
			if prev, ok := r.Prev(at); ok != (first > 0) || ok && prev != all[first-1] {
				t.Fatalf("%s from %s: Prev(%s) = %s, %v", rule, start, show(at), show(prev), ok)
			}
			var part []int64
			r.Locals(at, all[len(all)-1], func(x int64) bool { part = append(part, x); return true })
			from, _ := slices.BinarySearch(all, at)
			if !slices.Equal(part, all[from:len(all)-1]) {
				t.Fatalf("%s from %s: Locals from %s differ", rule, start, show(at))
			}
			checked++
		}
	}
	if checked < 1500 {
		t.Errorf("only %d questions", checked)
	}
}

// Weeks of the year for every WKST, by their definition: the year of a week is
// the one that has at least four of its days. time.ISOWeek is the oracle for
// Monday. rrule-go is none here: it misses days at the turn of a year.
func TestWeekNumbers(t *testing.T) {
	for wkst := range 7 {
		number := map[int64]int64{} // weeks of a year so far
		weeks := map[int64][2]int64{}
		first := weekStart(dateOf(1969, 1, 20), wkst)
		for w := first; w < 84006; w += 7 {
			years := map[int64]int{}
			for d := range int64(7) {
				y, _, _ := civil(w + d)
				years[y]++
			}
			for y, n := range years {
				if n >= 4 {
					number[y]++
					weeks[w] = [2]int64{y, number[y]}
				}
			}
		}
		for date := int64(0); date < 84000; date++ {
			yn := weeks[weekStart(date, wkst)]
			front, back := weekNumber(date, wkst)
			if yn[0] == 1969 || yn[0] >= 2199 {
				continue // not counted from its beginning, or to its end
			}
			if int64(front) != yn[1] || int64(back) != yn[1]-number[yn[0]]-1 {
				t.Fatalf("wkst %d, %s: %d, %d, want %d of %d", wkst, show(date*day*1000), front, back, yn[1], number[yn[0]])
			}
			if y, w := time.Unix(date*day, 0).UTC().ISOWeek(); wkst == 0 && (w != front || int64(y) != yn[0]) {
				t.Fatalf("%s: week %d, ISO %d", show(date*day*1000), front, w)
			}
		}
	}
	// Weeks 1 and 53 reach into the neighbouring year; 2021-01-01 to 03 are in 2020's week 53.
	r := parse(t, "FREQ=YEARLY;BYWEEKNO=53;BYDAY=FR,SA", "2015-01-01T06:00:00")
	var got []string
	r.Locals(0, 1<<62, func(at int64) bool { got = append(got, show(at)[:10]); return len(got) < 4 })
	if strings.Join(got, " ") != "2016-01-01 2016-01-02 2021-01-01 2021-01-02" {
		t.Errorf("week 53: %v", got)
	}
	r = parse(t, "FREQ=YEARLY;BYWEEKNO=20", "1997-05-12T09:00:00") // the weekday is the start's
	if next, _ := r.Next(r.start * 1000); show(next) != "1998-05-11T09:00:00" {
		t.Errorf("week 20: %s", show(next))
	}
}

// The calendar is the standard library's.
func TestDates(t *testing.T) {
	for date := int64(-800000); date < 800000; date += 1 {
		if date%977 > 3 && (date < -1000 || date > 84100) {
			continue
		}
		x := time.Unix(date*day, 0).UTC()
		y, m, d := civil(date)
		if int(y) != x.Year() || m != int(x.Month()) || d != x.Day() || dateOf(y, m, d) != date || weekday(date) != int(x.Weekday()+6)%7 || daysInYear(y) != time.Date(x.Year(), 12, 31, 0, 0, 0, 0, time.UTC).YearDay() ||
			daysInMonth(y, m) != time.Date(x.Year(), x.Month()+1, 0, 0, 0, 0, 0, time.UTC).Day() {
			t.Fatalf("%s is %d-%d-%d", x, y, m, d)
		}
	}
}
