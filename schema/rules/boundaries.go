package rules

import (
	"slices"
	"strconv"

	"gatewright/schema/cadence"
	"gatewright/schema/logbook"
)

// boundaries is a series of window boundaries that checks of the same cadence
// share. It remembers those it has computed.
type boundaries struct {
	parts []timetable
	ahead []int64 // consecutive boundaries, ascending
	back  []int64 // those before ahead[0], descending

	isFirst, isLast bool // there are none before back, after ahead
}

// timetable holds for boundaries from < b <= until.
type timetable struct {
	series      series
	from, until int64
}

// boundariesOf is the series of a cadence period.
func (e *Engine) boundariesOf(p *logbook.CadencePeriod) *boundaries {
	key := "milking"
	switch p.Every {
	case logbook.EveryMilking:
	case logbook.EveryCalendar:
		key = "calendar " + p.Start + " " + p.Rule
	default:
		key = string(p.Every)
		for _, n := range [...]int64{int64(p.N), int64(p.By), int64(p.On), p.From} {
			key += " " + strconv.FormatInt(n, 10)
		}
	}
	b := e.bound[key]
	if b == nil {
		b = &boundaries{parts: e.timetables(p)}
		e.bound[key] = b
	}
	return b
}

func (e *Engine) timetables(p *logbook.CadencePeriod) []timetable {
	switch p.Every {
	case logbook.EveryMilking:
	case logbook.EveryCalendar:
		return []timetable{{series: e.calendarOf(p.Rule, p.Start), from: cadence.Before, until: never}}
	default:
		return []timetable{{series: ruleOf(p).Series(e.loc), from: cadence.Before, until: never}}
	}
	var out []timetable
	for i, m := range e.plan.Site.Milkings {
		t := timetable{from: m.From, until: never}
		if i+1 < len(e.plan.Site.Milkings) {
			t.until = e.plan.Site.Milkings[i+1].From
		}
		r := cadence.Rule{Every: cadence.EveryMilking}
		for _, k := range m.Milkings {
			r.Milkings = append(r.Milkings, cadence.Milking{Start: k.Start, End: k.End})
		}
		t.series = r.Series(e.loc)
		out = append(out, t)
	}
	return out
}

func ruleOf(p *logbook.CadencePeriod) cadence.Rule {
	r := cadence.Rule{N: p.N, By: p.By, On: p.On, Anchor: p.From}
	switch p.Every {
	case logbook.EveryDay:
		r.Every = cadence.EveryDay
	case logbook.EveryWeek:
		r.Every = cadence.EveryWeek
	case logbook.EveryMonth:
		r.Every = cadence.EveryMonth
	case logbook.EveryMilking:
		r.Every = cadence.EveryMilking
	}
	return r
}

func (b *boundaries) findPrev(t int64) int64 {
	for i := len(b.parts) - 1; i >= 0; i-- {
		p := &b.parts[i]
		if p.from >= t {
			continue
		}
		if x := p.series.Prev(min(t, p.until)); x > p.from {
			return x
		}
	}
	return cadence.Before
}

func (b *boundaries) findNext(t int64) int64 {
	for i := range b.parts {
		p := &b.parts[i]
		if p.until <= t {
			continue
		}
		if x := p.series.Next(max(t, p.from)); x <= p.until && x != cadence.Never {
			return x
		}
	}
	return cadence.Never
}

// nearby is how far from what it remembers a question may lie, to be answered
// by filling in all between.
const nearby = 400 * 24 * 60 * minuteMs

// prev is the greatest boundary not after t, or cadence.Before.
func (b *boundaries) prev(t int64) int64 {
	if !b.reach(t) {
		return b.findPrev(t)
	}
	if i, found := slices.BinarySearch(b.ahead, t); found {
		return t
	} else if i > 0 {
		return b.ahead[i-1]
	}
	// back is descending: the first one that is <= t.
	i, _ := slices.BinarySearchFunc(b.back, t, func(x, t int64) int {
		if x > t {
			return -1
		}
		return 1
	})
	if i < len(b.back) {
		return b.back[i]
	}
	return cadence.Before
}

// next is the least boundary after t, or cadence.Never.
func (b *boundaries) next(t int64) int64 {
	if !b.reach(t) {
		return b.findNext(t)
	}
	i, found := slices.BinarySearch(b.ahead, t)
	if found {
		i++
	}
	if i > 0 || len(b.back) == 0 || b.back[0] <= t {
		if i < len(b.ahead) {
			return b.ahead[i]
		}
		return cadence.Never
	}
	i, _ = slices.BinarySearchFunc(b.back, t, func(x, t int64) int {
		if x > t {
			return -1
		}
		return 1
	})
	return b.back[i-1]
}

// reach fills in what is remembered, so that it holds a boundary at or before
// t and one after t where there are such; false when t is too far away.
func (b *boundaries) reach(t int64) bool {
	if len(b.ahead) == 0 {
		x := b.findPrev(t)
		if x == cadence.Before {
			x = b.findNext(t)
		}
		if x == cadence.Never {
			return false
		}
		b.ahead = append(b.ahead, x)
	}
	first, last := b.ahead[0], b.ahead[len(b.ahead)-1]
	if n := len(b.back); n > 0 {
		first = b.back[n-1]
	}
	if t < first && first-t > nearby || t > last && t-last > nearby {
		return false
	}
	for first > t && !b.isFirst {
		if first = b.findPrev(first - 1); first == cadence.Before {
			b.isFirst = true
			break
		}
		b.back = append(b.back, first)
	}
	for last <= t && !b.isLast {
		if last = b.findNext(last); last == cadence.Never {
			b.isLast = true
			break
		}
		b.ahead = append(b.ahead, last)
	}
	return true
}
