package rules

import (
	"math/bits"

	"gatewright/schema/logbook"
	"gatewright/schema/num"
)

// judgement is how a reading stands to the limits in force at its instant.
type judgement struct {
	f      *fact
	limits *logbook.LimitPeriod
	side   side
	doubt  bool // so near to the limit of side that nobody knows
	near   bool
}

func (j *judgement) isInside() bool  { return j.side == inside }
func (j *judgement) isOutside() bool { return j.side != inside && !j.doubt }

type side uint8

const (
	inside side = iota
	low
	high
)

var sideNames = [...]string{"", "low", "high"}

// uncertainty is the standard uncertainty of a reading: its own, or that of
// the limits.
func uncertainty(f *fact, l *logbook.LimitPeriod) num.Micro {
	if f.hasU {
		return f.u
	}
	return l.U
}

// guardBand is guard times u, to the millionth, half up; both are at least 0.
func guardBand(guard, u num.Micro) num.Micro {
	if guard == 0 || u == 0 {
		return 0
	}
	hi, lo := bits.Mul64(uint64(guard), uint64(u))
	lo, carry := bits.Add64(lo, uint64(num.One)/2, 0)
	band, _ := bits.Div64(hi+carry, lo, uint64(num.One))
	return num.Micro(band)
}

func judgeReading(f *fact, l *logbook.LimitPeriod) judgement {
	j := judgement{f: f, limits: l}
	if !f.hasValue {
		switch f.marks {
		case "below":
			j.side = low
		case "above":
			j.side = high
		}
		return j
	}
	band := guardBand(l.Guard, uncertainty(f, l))
	switch {
	case band > 0 && l.HasLow && num.Micro.Abs(f.value-l.Low) <= band:
		j.side, j.doubt = low, true
	case band > 0 && l.HasHigh && num.Micro.Abs(f.value-l.High) <= band:
		j.side, j.doubt = high, true
	case l.HasLow && f.value < l.Low:
		j.side = low
	case l.HasHigh && f.value > l.High:
		j.side = high
	case l.HasWarn && l.Warn > 0:
		j.near = l.HasLow && f.value < l.Low+l.Warn || l.HasHigh && f.value > l.High-l.Warn
	}
	return j
}

// disagrees says whether b contradicts a, the judged reading before it.
func disagrees(a, b *judgement) bool {
	if a.f == nil || a.f.by == b.f.by || b.f.at-a.f.at > int64(b.limits.Within)*minuteMs {
		return false
	}
	if a.isOutside() && b.isInside() || a.isInside() && b.isOutside() {
		return true
	}
	return a.f.hasValue && b.f.hasValue && a.f.unit == b.f.unit &&
		b.limits.HasAgree && num.Micro.Abs(a.f.value-b.f.value) > b.limits.Agree
}

// findings are what a check's doings say, one after the other.
type findings struct {
	bad, limit, doubt, near, disagree track

	last judgement // the last judged reading
}

// tick takes the next doing of any kind.
func (s *findings) tick(f *fact) {
	if f.kind == logbook.Tick && f.bad {
		s.bad.note(f.at, f.id)
	} else {
		s.bad.close(f.at, f.id)
	}
}

// reading takes the next judged reading.
func (s *findings) reading(b *judgement) {
	at, id := b.f.at, b.f.id
	switch {
	case b.isOutside():
		s.limit.note(at, id)
		s.limit.variant = sideNames[b.side]
		s.limit.params = limitParams(b)
	case b.isInside():
		s.limit.close(at, id)
	}
	if b.doubt {
		s.doubt.note(at, id)
		s.doubt.variant = sideNames[b.side]
		s.doubt.params = sortParams(append(limitParams(b),
			microParam("u", uncertainty(b.f, b.limits)), microParam("guard", b.limits.Guard)))
	} else {
		s.doubt.close(at, id)
	}
	if b.near {
		s.near.note(at, id)
		s.near.params = sortParams(append(limitParams(b), microParam("warn", b.limits.Warn)))
	} else {
		s.near.close(at, id)
	}
	if disagrees(&s.last, b) {
		s.disagree.note(at, s.last.f.id, id)
		s.disagree.params = disagreeParams(&s.last, b)
	} else {
		s.disagree.close(at, id)
	}
	s.last = *b
}

// track is the episodes of one subject, built one after the other.
type track struct {
	episode
	open bool
	past []episode
}

// note opens an episode, or goes on with the open one.
func (t *track) note(at int64, entries ...logbook.EntryID) {
	if !t.open {
		t.open, t.raised, t.entries = true, at, nil
	}
	t.entries = append(t.entries, entries...)
}

// close ends the open episode, if there is one, by an entry; none when it is
// empty.
func (t *track) close(at int64, entry logbook.EntryID) {
	if !t.open {
		return
	}
	t.open = false
	if t.raised < at {
		t.past = append(t.past, t.ended(at, entry))
	}
}

// touches says whether an episode holds an instant, or ends at it.
func (t *track) touches(at int64) bool {
	if t.open && t.raised <= at {
		return true
	}
	for i := len(t.past) - 1; i >= 0 && t.past[i].cleared >= at; i-- {
		if t.past[i].raised <= at {
			return true
		}
	}
	return false
}

// ended is the open episode with an end.
func (t *track) ended(at int64, entry logbook.EntryID) episode {
	ep := t.episode
	ep.cleared = at
	if entry != "" {
		ep.entries = append(ep.entries[:len(ep.entries):len(ep.entries)], entry)
	}
	return ep
}

func limitParams(j *judgement) []Param {
	ps := make([]Param, 0, 6)
	if j.limits.Unit != "" {
		ps = append(ps, textParam("unit", j.limits.Unit))
	}
	ps = append(ps, readParam("value", "marks", j.f))
	if j.limits.HasLow {
		ps = append(ps, microParam("low", j.limits.Low))
	}
	if j.limits.HasHigh {
		ps = append(ps, microParam("high", j.limits.High))
	}
	return sortParams(ps)
}

// readParam is what was read, a number under one name or a mark under another.
func readParam(number, marks string, f *fact) Param {
	if f.hasValue {
		return microParam(number, f.value)
	}
	return textParam(marks, f.marks)
}

func disagreeParams(a, b *judgement) []Param {
	ps := []Param{
		readParam("a", "a", a.f), readParam("b", "b", b.f),
		wholeParam("at_a", a.f.at), wholeParam("at_b", b.f.at),
		textParam("by_a", a.f.by), textParam("by_b", b.f.by),
	}
	if b.limits.Unit != "" {
		ps = append(ps, textParam("unit", b.limits.Unit))
	}
	return sortParams(ps)
}
