// Package cadence computes when things fall due in a site's own time zone.
//
// Instants are int64 milliseconds since the Unix epoch (UTC); the zone is a
// *time.Location made from the plan's own time-zone table, so that every
// replica uses the same transitions. Nothing here reads a clock or a database.
//
// One rule settles every question about daylight saving: the local time L
// happens at the first instant at which local clocks show L or later. So a
// local time that is skipped in spring falls on the first instant after the
// gap, a doubled one in autumn on its first occurrence, and neither loses nor
// doubles a boundary. A local date begins at its 00:00 in the same sense.
package cadence

import (
	"math"
	"slices"
	"time"
)

// Every is the step of a Rule.
type Every uint8

// The steps.
const (
	EveryMilking Every = iota + 1
	EveryDay
	EveryWeek
	EveryMonth
)

// Milking is one milking of the local day, in minutes from 00:00. An End of
// 1440, or one not after Start, falls on the next local date.
type Milking struct{ Start, End int }

// Rule is an endless series of boundaries, the ends of consecutive windows.
//
//   - EveryMilking: the end of each milking of each local date; N is ignored.
//   - EveryDay: the local time By on every N-th local date.
//   - EveryWeek: By on weekday On (1 Monday to 7 Sunday, 0 = 7) of every N-th
//     week, weeks beginning on Monday (ISO 8601).
//   - EveryMonth: By on day On (1 to 31, 0 = 31, cut to the month's length) of
//     every N-th month.
//
// Dates, weeks and months are counted from the one that holds Anchor, which
// has a boundary itself; the series goes on before it. N below 1 counts as 1.
type Rule struct {
	Every    Every
	N        int
	By       int // minutes of the local day, 0 to 1440 (= 00:00 of the next date)
	On       int
	Milkings []Milking
	Anchor   int64
}

// What Prev and Next return when there is no such boundary: a milking rule
// without milkings, or an instant outside the years 1 to 9999.
const (
	Before = math.MinInt64
	Never  = math.MaxInt64
)

const (
	dayMs    = 24 * 60 * 60 * 1000
	minuteMs = 60 * 1000

	firstMs = -62135596800000 + 366*dayMs // year 2, so that neighbours exist
	lastMs  = 253402300800000 - 366*dayMs // year 9998
)

// Prev is the greatest boundary that is not after t.
func (r Rule) Prev(loc *time.Location, t int64) int64 {
	if t < firstMs {
		return Before
	}
	s, ok := r.series(loc)
	if !ok {
		return Before
	}
	return s.at(s.last(min(t, lastMs)))
}

// Next is the least boundary after t.
func (r Rule) Next(loc *time.Location, t int64) int64 {
	if t >= lastMs {
		return Never
	}
	s, ok := r.series(loc)
	if !ok {
		return Never
	}
	k, _ := s.after(max(t, firstMs))
	return s.at(k)
}

// Add goes N steps of the rule's kind on from t: days, weeks and months keep
// the local time of day, to the millisecond (the day of the month is cut to the
// month's length); milkings count as so many boundaries after t. It returns
// Never when there is no such instant.
func (r Rule) Add(loc *time.Location, t int64) int64 {
	if t < firstMs {
		t = firstMs
	}
	if t >= lastMs {
		return Never
	}
	n := int64(max(r.N, 1))
	if r.Every == EveryMilking {
		s, ok := r.series(loc)
		if !ok {
			return Never
		}
		k, b := s.after(t)
		for ; n > 1; n-- { // boundaries that coincide are one
			k, b = s.after(b)
		}
		return s.at(k)
	}
	local := t + offset(loc, t)
	d, ms := floorDiv(local, dayMs), floorMod(local, dayMs)
	switch r.Every {
	case EveryWeek:
		d += 7 * n
	case EveryMonth:
		m, day := monthOf(d)
		d = dateIn(m+n, day)
	default:
		d += n
	}
	if d*dayMs > lastMs {
		return Never
	}
	return instant(loc, d*dayMs+ms)
}

// DayStart is the first instant of t's local date. Where clocks go back over
// midnight, a date that has begun stays begun.
func DayStart(loc *time.Location, t int64) int64 {
	return instant(loc, dateAt(loc, clamp(t))*dayMs)
}

// NextDay is the first instant of the local date after t's.
func NextDay(loc *time.Location, t int64) int64 {
	d := dateAt(loc, clamp(t))
	for {
		d++
		if s := instant(loc, d*dayMs); s > clamp(t) { // a date may be skipped
			return s
		}
	}
}

func clamp(t int64) int64 { return max(firstMs, min(t, lastMs)) }

// series numbers the boundaries of a rule: local is the local time of boundary
// k in ms since 1970-01-01T00:00 local, not decreasing in k; guess is some k
// near the local date.
type series struct {
	loc   *time.Location
	local func(k int64) int64
	guess func(date int64) int64
}

func (s series) at(k int64) int64 { return instant(s.loc, s.local(k)) }

// last is the greatest k whose boundary is not after t.
func (s series) last(t int64) int64 {
	k := s.guess(floorDiv(t+offset(s.loc, t), dayMs))
	for s.at(k) > t {
		k--
	}
	for s.at(k+1) <= t {
		k++
	}
	return k
}

// after is the least k whose boundary is after t, and the boundary.
func (s series) after(t int64) (k, b int64) {
	k = s.last(t) + 1
	return k, s.at(k)
}

func (r Rule) series(loc *time.Location) (series, bool) {
	n := int64(max(r.N, 1))
	by := int64(r.By) * minuteMs
	s := series{loc: loc}
	if r.Every != EveryMilking {
		first := dateAt(loc, clamp(r.Anchor))
		switch r.Every {
		case EveryWeek:
			on := int64(r.On)
			if on < 1 || on > 7 {
				on = 7
			}
			first = weekOf(first)
			s.local = func(k int64) int64 { return ((first+k*n)*7-3+on-1)*dayMs + by }
			s.guess = func(d int64) int64 { return floorDiv(weekOf(d)-first, n) }
		case EveryMonth:
			on := int64(r.On)
			if on < 1 || on > 31 {
				on = 31
			}
			first, _ = monthOf(first)
			s.local = func(k int64) int64 { return dateIn(first+k*n, on)*dayMs + by }
			s.guess = func(d int64) int64 { m, _ := monthOf(d); return floorDiv(m-first, n) }
		default:
			s.local = func(k int64) int64 { return (first+k*n)*dayMs + by }
			s.guess = func(d int64) int64 { return floorDiv(d-first, n) }
		}
		return s, true
	}
	// On whichever date a milking began, its end is a minute of some date, and
	// all dates are alike.
	ends := make([]int64, 0, len(r.Milkings))
	for _, m := range r.Milkings {
		ends = append(ends, floorMod(int64(m.End), 1440))
	}
	slices.Sort(ends)
	ends = slices.Compact(ends)
	each := int64(len(ends))
	if each == 0 {
		return s, false
	}
	s.local = func(k int64) int64 { return floorDiv(k, each)*dayMs + ends[floorMod(k, each)]*minuteMs }
	s.guess = func(d int64) int64 { return d * each }
	return s, true
}
