package cadence

import (
	"slices"
	"time"

	"gatewright/schema/arrange"
	"gatewright/schema/num"
)

// Series are the boundaries of a rule in a zone, numbered. It answers as the
// rule does, and faster when asked about instants near one another. It is not
// safe for concurrent use.
type Series struct {
	clock clock
	// local is the local time of boundary k, in ms since 1970-01-01T00:00
	// local, not decreasing in k; nil when there are no boundaries.
	local func(k int64) int64
	// guess is some k near the local date.
	guess func(date int64) int64
}

// Series are the rule's boundaries in a zone.
func (r Rule) Series(loc *time.Location) *Series {
	s := &Series{clock: clock{loc: loc}}
	n := int64(max(r.N, 1))
	by := int64(r.By) * minuteMs
	if r.Every == EveryMilking {
		s.milkings(r.Milkings)
		return s
	}
	first := s.clock.dateAt(clamp(r.Anchor))
	switch r.Every {
	case EveryWeek:
		on := int64(r.On)
		if on < 1 || on > 7 {
			on = 7
		}
		first = weekOf(first)
		s.local = func(k int64) int64 { return ((first+k*n)*7-3+on-1)*dayMs + by }
		s.guess = func(d int64) int64 { return num.FloorDiv(weekOf(d)-first, n) }
	case EveryMonth:
		on := int64(r.On)
		if on < 1 || on > 31 {
			on = 31
		}
		first, _ = monthOf(first)
		s.local = func(k int64) int64 { return dateIn(first+k*n, on)*dayMs + by }
		s.guess = func(d int64) int64 { m, _ := monthOf(d); return num.FloorDiv(m-first, n) }
	default:
		s.local = func(k int64) int64 { return (first+k*n)*dayMs + by }
		s.guess = func(d int64) int64 { return num.FloorDiv(d-first, n) }
	}
	return s
}

// milkings: on whichever date a milking began, its end is a minute of some
// date, and all dates are alike.
func (s *Series) milkings(list []Milking) {
	ends := make([]int64, 0, len(list))
	for _, m := range list {
		ends = append(ends, num.FloorMod(int64(m.End), 1440))
	}
	arrange.Sort(ends)
	ends = slices.Compact(ends)
	each := int64(len(ends))
	if each == 0 {
		return
	}
	s.local = func(k int64) int64 { return num.FloorDiv(k, each)*dayMs + ends[num.FloorMod(k, each)]*minuteMs }
	s.guess = func(d int64) int64 { return d * each }
}

// Prev is the greatest boundary that is not after t.
func (s *Series) Prev(t int64) int64 {
	if s.local == nil || t < firstMs {
		return Before
	}
	return s.at(s.last(min(t, lastMs)))
}

// Next is the least boundary after t.
func (s *Series) Next(t int64) int64 {
	if s.local == nil || t >= lastMs {
		return Never
	}
	return s.at(s.last(max(t, firstMs)) + 1)
}

func (s *Series) at(k int64) int64 { return s.clock.instant(s.local(k)) }

// last is the greatest k whose boundary is not after t.
func (s *Series) last(t int64) int64 {
	k := s.guess(num.FloorDiv(t+s.clock.offset(t), dayMs))
	for s.at(k) > t {
		k--
	}
	for s.at(k+1) <= t {
		k++
	}
	return k
}
