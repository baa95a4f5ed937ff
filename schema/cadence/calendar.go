package cadence

import (
	"time"

	"gatewright/schema/num"
)

// A date is a count of days since 1970-01-01, a month a count since January of
// year 0, a week a count of Mondays, week 0 holding 1970-01-01 (a Thursday).

func weekOf(date int64) int64 { return num.FloorDiv(date+3, 7) }

func monthOf(date int64) (month, day int64) {
	y, m, d := time.Unix(date*dayMs/1000, 0).UTC().Date()
	return int64(y)*12 + int64(m) - 1, int64(d)
}

// dateIn is the date of a day in a month, cut to the month's length.
func dateIn(month, day int64) int64 {
	y, m := int(num.FloorDiv(month, 12)), time.Month(num.FloorMod(month, 12)+1)
	first := time.Date(y, m, 1, 0, 0, 0, 0, time.UTC).Unix() * 1000 / dayMs
	next := time.Date(y, m+1, 1, 0, 0, 0, 0, time.UTC).Unix() * 1000 / dayMs
	return min(first+day-1, next-1)
}

// clock reads a zone. It remembers the stretch of equal offset that it looked
// at last: neighbouring questions fall into the same one, and finding it means
// parsing the zone's rule for the years to come.
type clock struct {
	loc        *time.Location
	begin, end int64 // [begin, end) has offset off
	off        int64
}

func (c *clock) look(t int64) {
	if t >= c.begin && t < c.end {
		return
	}
	x := time.UnixMilli(t).In(c.loc)
	_, s := x.Zone()
	begin, end := x.ZoneBounds()
	c.begin, c.end, c.off = Before, Never, int64(s)*1000
	if !begin.IsZero() {
		c.begin = begin.UnixMilli()
	}
	if !end.IsZero() {
		c.end = end.UnixMilli()
	}
	if c.end <= t {
		// For years that follow the table's rule, ZoneBounds ends a stretch at
		// the end of the UTC year, and takes 365 days for a leap year, too
		// (Go 1.26): on its 31 December the stretch goes on until midnight.
		c.end = (num.FloorDiv(t, dayMs) + 1) * dayMs
	}
}

// Instant is the first instant at which the zone's clocks show local (ms since
// 1970-01-01T00:00 local) or later.
func Instant(loc *time.Location, local int64) int64 {
	c := clock{loc: loc}
	return c.instant(local)
}

// offset is what local clocks add to UTC at t, in ms.
func (c *clock) offset(t int64) int64 {
	c.look(t)
	return c.off
}

// instant is the first instant at which local clocks show local (ms since
// 1970-01-01T00:00 local) or later.
func (c *clock) instant(local int64) int64 {
	// No zone is a day and two hours off (RFC 9636 bounds offsets below 26 h),
	// so at the start of the search clocks still show less.
	const far = 26 * 60 * 60 * 1000
	if c.begin <= local-far && local-c.off < c.end && c.begin < c.end {
		return local - c.off
	}
	for t := local - far; ; t = c.end {
		c.look(t)
		if at := max(c.begin, local-c.off); at < c.end {
			return at
		}
	}
}

// dateAt is the local date of t: the last one that has begun.
func (c *clock) dateAt(t int64) int64 {
	d := num.FloorDiv(t+c.offset(t), dayMs)
	for c.instant((d+1)*dayMs) <= t {
		d++
	}
	return d
}

// Wall tells how local times and instants of a zone go together. It remembers
// the stretch that it looked at last, so neighbouring questions are cheap, and
// it is not safe for concurrent use.
type Wall struct{ clock clock }

// NewWall is for a zone.
func NewWall(loc *time.Location) *Wall { return &Wall{clock{loc: loc}} }

// Instant is the first instant at which local clocks show local (ms since
// 1970-01-01T00:00 local) or later; it does not decrease as local grows.
func (w *Wall) Instant(local int64) int64 { return w.clock.instant(local) }

// Shown is what local clocks show at an instant.
func (w *Wall) Shown(t int64) int64 { return t + w.clock.offset(t) }
