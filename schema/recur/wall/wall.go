// Package wall evaluates recurrence rules (RFC 5545 RRULE) on a wall clock: in
// local times of a calendar day that always has 24 hours. Whoever asks turns
// those into instants of a zone, so that what a clock skips in spring is late
// rather than lost.
//
// Local times are milliseconds since 1970-01-01T00:00 local, from 1970 to 2199.
// A rule is evaluated as RFC 5545 says, with these decisions where it leaves
// room:
//
//   - the start counts only if it fits the rule (RFC 5545 calls a rule
//     undefined whose start does not);
//   - what a rule leaves open comes from the start: time of day, day of the
//     month, month and day of the year, weekday (also beside BYWEEKNO);
//   - all BY parts must hold at once; days within one BYDAY are alternatives,
//     with and without numbers;
//   - the period of a YEARLY rule is the calendar year, so with BYWEEKNO its
//     first days may belong to a week of the year before;
//   - UNTIL is a local time like the start, and included.
//
// It is linked into the rules' WebAssembly and imports next to nothing.
package wall

import "gatewright/schema/num"

// The years in which rules are evaluated.
const (
	FirstYear = 1970
	LastYear  = 2199
)

const (
	day        = 86400
	lastSecond = 84006*day - 1 // 2199-12-31T23:59:59

	// stepsMost bounds the work of reading a rule: days looked at and times
	// found. All days from 1970 to 2199 are 84,006.
	stepsMost = 2_000_000
)

// Rule is a rule with its start. It remembers the period it looked at last, so
// it is cheap to ask about neighbouring times and not safe for concurrent use.
type Rule struct {
	Parts
	start int64 // seconds
	end   int64 // the last second that can be an occurrence: UNTIL, or where COUNT ends

	months              uint16 // by bit, 0 for any
	monthDays, monthEnd uint32 // by bit: n, and -n
	weekdays            uint8
	nth                 []Day
	times               []int64 // seconds within the day, hour, minute or second of a period
	nthInMonth          bool

	// What was found in the last period.
	period   int64
	known    bool
	days     []int64
	base     int64 // second of the day that times count from
	chosen   []int // indices into days x times, with BYSETPOS
	stepsLow int64 // steps left
}

// Parse reads a rule for a cadence, of whole days: FREQ from YEARLY to DAILY.
// Its start is local, such as 2026-03-29T05:30:00. It refuses, with a Problem
// that names rule or start, what RFC 5545 does not allow, and a rule without
// any occurrence until 2199.
func Parse(rule, start string) (*Rule, error) {
	r, err := ParseAny(rule, start)
	if err == nil && r.Freq > Daily {
		return nil, bad("must have a FREQ of YEARLY, MONTHLY, WEEKLY or DAILY")
	}
	return r, err
}

// ParseAny is Parse with every FREQ. It refuses rules that take more than some
// two million steps to read.
func ParseAny(rule, start string) (*Rule, error) {
	p, err := parts(rule)
	if err != nil {
		return nil, err
	}
	r := &Rule{Parts: p}
	if r.start, err = startOf(start); err != nil {
		return nil, err
	}
	r.end = p.Until
	r.fill()
	r.index()
	return r, r.measure()
}

// fill takes from the start what the rule leaves open.
func (r *Rule) fill() {
	date, time := num.FloorDiv(r.start, day), num.FloorMod(r.start, day)
	_, month, dom := civil(date)
	if r.ByDay == nil && r.ByMonthDay == nil && r.ByYearDay == nil {
		switch {
		case r.ByWeekNo != nil, r.Freq == Weekly:
			r.ByDay = []Day{{Weekday: weekday(date)}}
		case r.Freq == Yearly || r.Freq == Monthly:
			if r.Freq == Yearly && r.ByMonth == nil {
				r.ByMonth = []int{month}
			}
			r.ByMonthDay = []int{dom}
		}
	}
	if r.ByHour == nil && r.Freq < Hourly {
		r.ByHour = []int{int(time / 3600)}
	}
	if r.ByMinute == nil && r.Freq < Minutely {
		r.ByMinute = []int{int(time / 60 % 60)}
	}
	if r.BySecond == nil && r.Freq < Secondly {
		r.BySecond = []int{int(time % 60)}
	}
}

// index puts the parts into the shapes that days are tested with.
func (r *Rule) index() {
	for _, m := range r.ByMonth {
		r.months |= 1 << m
	}
	for _, d := range r.ByMonthDay {
		if d > 0 {
			r.monthDays |= 1 << d
		} else {
			r.monthEnd |= 1 << -d
		}
	}
	for _, d := range r.ByDay {
		if d.N == 0 {
			r.weekdays |= 1 << d.Weekday
		} else {
			r.nth = append(r.nth, d)
		}
	}
	r.nthInMonth = r.Freq == Monthly || r.ByMonth != nil
	hours, minutes, seconds := r.ByHour, r.ByMinute, r.BySecond
	none := []int{0}
	if r.Freq >= Hourly {
		hours = none
	}
	if r.Freq >= Minutely {
		minutes = none
	}
	if r.Freq >= Secondly {
		seconds = none
	}
	for _, h := range hours {
		for _, m := range minutes {
			for _, s := range seconds {
				r.times = append(r.times, int64(h*3600+m*60+s))
			}
		}
	}
}

// measure finds that the rule has an occurrence, and where COUNT ends.
func (r *Rule) measure() error {
	r.stepsLow = stepsMost
	left, found := max(r.Count, 1), false
	over := !r.forward(r.start, func(at int64) bool {
		found = true
		if left--; left == 0 && r.Count > 0 {
			r.end = at
		}
		return left > 0
	})
	switch {
	case over:
		return bad("must not take so many steps to find its times: shorten COUNT or the BY parts, or choose a longer FREQ")
	case !found:
		return bad("must name a time: from start to 2199 it has none")
	}
	return nil
}

// Locals yields the occurrences from (included) to (not included), ascending,
// until yield says false.
func (r *Rule) Locals(from, to int64, yield func(local int64) bool) {
	r.Walk(from, to, 1<<62, yield)
}

// Walk is Locals that gives up after so many steps: a day looked at is one, and
// a time found. It says whether it came to its end.
func (r *Rule) Walk(from, to, steps int64, yield func(local int64) bool) bool {
	r.stepsLow = steps
	return r.forward(-num.FloorDiv(-from, 1000), func(at int64) bool { return at*1000 < to && yield(at*1000) })
}

// Next is the first occurrence after a local time.
func (r *Rule) Next(local int64) (next int64, ok bool) {
	r.Locals(local+1, 1<<62, func(at int64) bool {
		next, ok = at, true
		return false
	})
	return next, ok
}

// Prev is the last occurrence that is not after a local time.
func (r *Rule) Prev(local int64) (prev int64, ok bool) {
	at := min(num.FloorDiv(local, 1000), r.end)
	if at < r.start {
		return 0, false
	}
	first := r.periodOf(r.start)
	p := first + num.FloorDiv(r.periodOf(at)-first, r.Interval)*r.Interval
	for ; p >= first; p -= r.Interval {
		r.stepsLow = 1 << 62
		r.expand(p)
		for i := r.size() - 1; i >= 0; i-- {
			if t := r.at(i); t <= at {
				return t * 1000, t >= r.start
			}
		}
	}
	return 0, false
}

// PeriodStart is the beginning of the period that holds an occurrence: of the
// year, month, week (from WKST), day, hour, minute or second.
func (r *Rule) PeriodStart(local int64) int64 {
	p := r.periodOf(num.FloorDiv(local, 1000))
	if r.Freq >= Daily {
		return r.begin(p) * 1000
	}
	first, _ := r.span(p)
	return first * day * 1000
}
