package cadence

import "time"

// A date is a count of days since 1970-01-01, a month a count since January of
// year 0, a week a count of Mondays, week 0 holding 1970-01-01 (a Thursday).

func weekOf(date int64) int64 { return floorDiv(date+3, 7) }

func monthOf(date int64) (month, day int64) {
	y, m, d := time.Unix(date*dayMs/1000, 0).UTC().Date()
	return int64(y)*12 + int64(m) - 1, int64(d)
}

// dateIn is the date of a day in a month, cut to the month's length.
func dateIn(month, day int64) int64 {
	y, m := int(floorDiv(month, 12)), time.Month(floorMod(month, 12)+1)
	first := time.Date(y, m, 1, 0, 0, 0, 0, time.UTC).Unix() * 1000 / dayMs
	next := time.Date(y, m+1, 1, 0, 0, 0, 0, time.UTC).Unix() * 1000 / dayMs
	return min(first+day-1, next-1)
}

// offset is what local clocks add to UTC at t, in ms.
func offset(loc *time.Location, t int64) int64 {
	_, s := time.UnixMilli(t).In(loc).Zone()
	return int64(s) * 1000
}

// instant is the first instant at which local clocks show local (ms since
// 1970-01-01T00:00 local) or later.
func instant(loc *time.Location, local int64) int64 {
	// No zone is a day and two hours off (RFC 9636 bounds offsets below 26 h),
	// so at the start of the search clocks still show less.
	t := time.UnixMilli(local - 26*60*60*1000).In(loc)
	for {
		_, s := t.Zone()
		begin, end := t.ZoneBounds()
		at := local - int64(s)*1000
		if !begin.IsZero() {
			at = max(at, begin.UnixMilli())
		}
		if end.IsZero() || at < end.UnixMilli() {
			return at
		}
		t = end
	}
}

// dateAt is the local date of t: the last one that has begun.
func dateAt(loc *time.Location, t int64) int64 {
	d := floorDiv(t+offset(loc, t), dayMs)
	for instant(loc, (d+1)*dayMs) <= t {
		d++
	}
	return d
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

func floorMod(a, b int64) int64 { return a - floorDiv(a, b)*b }
