package recur

import (
	"time"

	"gatewright/schema/input"
	"gatewright/schema/recur/wall"

	"github.com/teambition/rrule-go"
)

// secondsMost is how many periods of hours, minutes or seconds rrule-go may
// have to go through, one by one, from the first time found to the last.
const secondsMost = 5_000_000

// agree asks rrule-go for the same local times (ascending, in milliseconds).
// It is asked from the period of the first one on, with everything said that a
// rule can leave open, so that it need not count from the start of the rule.
func agree(r *wall.Rule, found []int64) error {
	if len(found) == 0 {
		return nil
	}
	for _, n := range r.ByWeekNo {
		if n >= 52 || n <= -52 {
			return nil
		}
	}
	from, last := found[0], found[len(found)-1]
	unit := map[wall.Freq]int64{wall.Hourly: 3600_000, wall.Minutely: 60_000, wall.Secondly: 1000}[r.Freq]
	if unit > 0 && (last-from)/unit/r.Interval > secondsMost {
		return input.Bad("rule", "must not take so many steps to find its times: choose a longer FREQ")
	}
	iterator, err := ask(r, from)
	if err != nil {
		return input.Bad("rule", "must be read in one way only: "+err.Error())
	}
	for i := 0; i < len(found); {
		t, ok := iterator()
		at := t.UnixMilli()
		switch {
		case ok && at < from:
		case ok && at == found[i]:
			i++
		default:
			return input.Bad("rule", "must be read in one way only: two evaluators differ about "+time.UnixMilli(found[i]).UTC().Format(local))
		}
	}
	return nil
}

var weekdays = [...]rrule.Weekday{rrule.MO, rrule.TU, rrule.WE, rrule.TH, rrule.FR, rrule.SA, rrule.SU}

// ask starts rrule-go at the beginning of the period that holds a local time.
func ask(r *wall.Rule, from int64) (rrule.Next, error) {
	option := rrule.ROption{
		Freq: rrule.Frequency(r.Freq), Interval: int(r.Interval), Wkst: weekdays[r.Wkst],
		Bysetpos: r.BySetPos, Bymonth: r.ByMonth, Bymonthday: r.ByMonthDay, Byyearday: r.ByYearDay, Byweekno: r.ByWeekNo,
		Byhour: r.ByHour, Byminute: r.ByMinute, Bysecond: r.BySecond,
		Byweekday: weekdaysOf(r), Dtstart: time.UnixMilli(r.PeriodStart(from)).UTC(),
	}
	rule, err := rrule.NewRRule(option)
	if err != nil {
		return nil, err
	}
	return rule.Iterator(), nil
}

// weekdaysOf writes BYDAY as rrule-go means it. It takes days with and without
// numbers to have to hold both, so those without get every number; and numbers
// that no month has make it read beyond its tables.
func weekdaysOf(r *wall.Rule) []rrule.Weekday {
	numbered := false
	for _, d := range r.ByDay {
		numbered = numbered || d.N != 0
	}
	most := 53
	if r.Freq == wall.Monthly || r.ByMonth != nil {
		most = 5
	}
	var out []rrule.Weekday
	for _, d := range r.ByDay {
		w := weekdays[d.Weekday]
		switch {
		case !numbered:
			out = append(out, w)
		case d.N == 0:
			for n := 1; n <= most; n++ {
				out = append(out, w.Nth(n))
			}
		case d.N <= most && d.N >= -most:
			out = append(out, w.Nth(d.N))
		}
	}
	return out
}
