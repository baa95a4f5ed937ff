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
	"time"

	"gatewright/schema/num"
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
func (r Rule) Prev(loc *time.Location, t int64) int64 { return r.Series(loc).Prev(t) }

// Next is the least boundary after t.
func (r Rule) Next(loc *time.Location, t int64) int64 { return r.Series(loc).Next(t) }

// Add goes N steps of the rule's kind on from t: days, weeks and months keep
// the local time of day, to the millisecond (the day of the month is cut to the
// month's length); milkings count as so many boundaries after t. It returns
// Never when there is no such instant.
func (r Rule) Add(loc *time.Location, t int64) int64 { return NewWall(loc).Add(r, t) }

// Add is the rule's step on from t in the zone.
func (w *Wall) Add(r Rule, t int64) int64 {
	t = max(t, firstMs)
	if t >= lastMs {
		return Never
	}
	n := int64(max(r.N, 1))
	if r.Every == EveryMilking {
		s := r.Series(w.clock.loc)
		for ; n > 0 && t != Never; n-- {
			t = s.Next(t)
		}
		return t
	}
	c := &w.clock
	local := t + c.offset(t)
	d, ms := num.FloorDiv(local, dayMs), num.FloorMod(local, dayMs)
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
	return c.instant(d*dayMs + ms)
}

// DayStart is the first instant of t's local date. Where clocks go back over
// midnight, a date that has begun stays begun.
func DayStart(loc *time.Location, t int64) int64 {
	c := clock{loc: loc}
	return c.instant(c.dateAt(clamp(t)) * dayMs)
}

// NextDay is the first instant of the local date after t's.
func NextDay(loc *time.Location, t int64) int64 {
	c := clock{loc: loc}
	d := c.dateAt(clamp(t))
	for {
		d++
		if s := c.instant(d * dayMs); s > clamp(t) { // a date may be skipped
			return s
		}
	}
}

func clamp(t int64) int64 { return max(firstMs, min(t, lastMs)) }
