package naive

import (
	"sort"
	"strconv"
	"sync"
	"time"
)

// A local date is the number of days since 1970-01-01, a wall time the number
// of milliseconds that a clock on the wall shows since then.

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

// wall is what the site's wall clock shows at t.
func (s *Site) wall(t int64) int64 {
	_, offset := time.UnixMilli(t).In(s.loc).Zone()
	return t + int64(offset)*1000
}

func (s *Site) date(t int64) int64 { return floorDiv(s.wall(t), day) }

// utc turns a local date into a time.Time for its year, month and weekday.
func utc(date int64) time.Time { return time.Unix(date*24*3600, 0).UTC() }

type instantKey struct {
	tz   string
	wall int64
}

var instants sync.Map // instantKey -> int64

// instant is the first instant at which the wall clock shows at least wall: the
// first instant after a gap, the first of two occurrences.
func (s *Site) instant(wall int64) int64 {
	key := instantKey{s.plan.Site.Zone + s.plan.Site.TZV, wall}
	if wall%minute == 0 {
		if t, ok := instants.Load(key); ok {
			return t.(int64)
		}
	}
	u := time.UnixMilli(wall).UTC()
	t := time.Date(u.Year(), u.Month(), u.Day(), u.Hour(), u.Minute(), u.Second(), u.Nanosecond(), s.loc).UnixMilli()
	for s.wall(t) >= wall {
		t -= 3 * hour
	}
	for s.wall(t) < wall {
		t += minute
	}
	if s.wall(t) != wall { // a gap: it ended within the last minute
		for s.wall(t-1) >= wall {
			t--
		}
	}
	if wall%minute == 0 {
		instants.Store(key, t)
	}
	return t
}

// dayStart is the first instant of t's local date, nextDay of the next.
func (s *Site) dayStart(t int64) int64 { return s.instant(s.date(t) * day) }
func (s *Site) nextDay(t int64) int64  { return s.instant((s.date(t) + 1) * day) }

// clockMinutes reads "HH:MM".
func clockMinutes(text string) int64 {
	h, errH := strconv.ParseInt(text[:2], 10, 64)
	m, errM := strconv.ParseInt(text[3:], 10, 64)
	if errH != nil || errM != nil {
		panic("naive: clock time " + text)
	}
	return h*60 + m
}

func daysIn(y int, m time.Month) int64 {
	return int64(time.Date(y, m+1, 0, 0, 0, 0, 0, time.UTC).Day())
}

func monthNumber(date int64) int64 {
	d := utc(date)
	return int64(d.Year())*12 + int64(d.Month()) - 1
}

// weekNumber counts weeks that begin on Monday.
func weekNumber(date int64) int64 { return floorDiv(date+3, 7) }

// milkingEnds are the milking boundaries B with lo < B <= hi.
func (s *Site) milkingEnds(lo, hi int64) []int64 {
	set := map[int64]bool{}
	for date := s.date(lo) - 2; date <= s.date(hi)+2; date++ {
		for k, period := range s.plan.milkings {
			next := never
			if k+1 < len(s.plan.milkings) {
				next = s.plan.milkings[k+1].From
			}
			for _, m := range period.Milkings {
				start, stop := clockMinutes(m.Start), clockMinutes(m.End)
				if stop <= start {
					stop += 24 * 60
				}
				b := s.instant(date*day + stop*minute)
				if period.From < b && b <= next && lo < b && b <= hi {
					set[b] = true
				}
			}
		}
	}
	return sortedInstants(set)
}

func sortedInstants(set map[int64]bool) []int64 {
	list := []int64{}
	for t := range set {
		list = append(list, t)
	}
	sort.Slice(list, func(i, j int) bool { return list[i] < list[j] })
	return list
}

type boundsKey struct {
	check  string
	period int
	hi     int64
}

// boundaries of the k-th cadence period of a check after its start and the
// check's, up to some instant beyond until; of the rule alone, not cut where
// the next period begins.
func (s *Site) boundaries(id string, k int, until int64) []int64 {
	key := boundsKey{id, k, floorDiv(until, 100*day) + 1}
	if list, ok := s.bounds[key]; ok {
		return list
	}
	start, _ := s.plan.live(id)
	p := s.plan.Checks[id].cadence[k]
	lo, hi := max(start, p.From), key.hi*100*day
	list := s.walk(p, lo, hi)
	s.bounds[key] = list
	return list
}

// boundaryAfter is the first boundary of the rule of the k-th period after
// now, or never; it is looked for further and further away.
func (s *Site) boundaryAfter(id string, k int, now int64) int64 {
	for _, far := range []int64{120 * day, 800 * day, 13_000 * day} {
		for _, b := range s.boundaries(id, k, now+far) {
			if b > now {
				return b
			}
		}
	}
	return never
}

// walk goes through the local dates one by one.
func (s *Site) walk(p cadencePeriod, lo, hi int64) []int64 {
	if p.Mode != "fixed" || hi <= lo {
		return nil
	}
	switch p.Every {
	case "milking":
		return s.milkingEnds(lo, hi)
	case "calendar":
		return s.calendar(p, lo, hi)
	}
	by := int64(24 * 60)
	if p.By != nil {
		by = clockMinutes(*p.By)
	}
	anchor := s.date(p.From)
	set := map[int64]bool{}
	for date := s.date(lo) - 2; date <= s.date(hi)+2; date++ {
		chosen := false
		switch p.Every {
		case "day":
			chosen = (date-anchor)%p.N == 0
		case "week":
			on := int64(7)
			if p.On != nil {
				on = *p.On
			}
			weekday := (date+3)%7 + 1 // 1970-01-01 was a Thursday, 4
			chosen = weekday == on && (weekNumber(date)-weekNumber(anchor))%p.N == 0
		case "month":
			on := int64(31)
			if p.On != nil {
				on = *p.On
			}
			d := utc(date)
			on = min(on, daysIn(d.Year(), d.Month()))
			chosen = int64(d.Day()) == on && (monthNumber(date)-monthNumber(anchor))%p.N == 0
		}
		if !chosen {
			continue
		}
		if b := s.instant(date*day + by*minute); lo < b && b <= hi {
			set[b] = true
		}
	}
	return sortedInstants(set)
}

// add goes n days, weeks, months or milkings on from t, keeping the local time
// of day.
func (s *Site) add(t int64, every string, n int64) int64 {
	date, clock := s.date(t), s.wall(t)-s.date(t)*day
	switch every {
	case "milking":
		ends := s.milkingEnds(t, t+(n+3)*day)
		if int64(len(ends)) < n { // the first milkings begin later
			ends = s.milkingEnds(t, t+400*day)
		}
		if int64(len(ends)) < n {
			return never
		}
		return ends[n-1]
	case "day":
		date += n
	case "week":
		date += 7 * n
	case "month":
		d := utc(date)
		first := time.Date(d.Year(), d.Month()+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
		on := min(int64(d.Day()), daysIn(first.Year(), first.Month()))
		date = first.Unix()/(24*3600) + on - 1
	}
	return s.instant(date*day + clock)
}
