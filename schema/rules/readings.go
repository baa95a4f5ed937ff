package rules

import (
	"gatewright/schema/logbook"
	"gatewright/schema/num"
)

// judgement is how a reading stands to the limits in force at its instant.
type judgement struct {
	f      *fact
	limits *logbook.LimitPeriod
	side   side
	near   bool
}

type side uint8

const (
	inside side = iota
	low
	high
)

func judgeReading(f *fact, l *logbook.LimitPeriod) judgement {
	j := judgement{f: f, limits: l}
	switch {
	case !f.hasValue:
		switch f.marks {
		case "below":
			j.side = low
		case "above":
			j.side = high
		}
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
func disagrees(a, b judgement) bool {
	if a.f == nil || a.f.by == b.f.by || b.f.at-a.f.at > int64(b.limits.Within)*minuteMs {
		return false
	}
	if (a.side == inside) != (b.side == inside) {
		return true
	}
	return a.f.hasValue && b.f.hasValue && a.f.unit == b.f.unit &&
		b.limits.HasAgree && num.Micro.Abs(a.f.value-b.f.value) > b.limits.Agree
}

// readingFindings appends the episodes of limit, near and disagree.
func (c *check) readingFindings(out []episode) []episode {
	outside := opened{episode: episode{rule: ruleLimit, target: c.id, severity: Act}}
	near := opened{episode: episode{rule: ruleNear, target: c.id, severity: Know}}
	differ := opened{episode: episode{rule: ruleDisagree, target: c.id, severity: Watch}}
	var a judgement
	for _, f := range c.doings {
		if f.kind != logbook.Reading {
			continue
		}
		l := c.plan.LimitsAt(f.at)
		if l == nil {
			continue
		}
		b := judgeReading(f, l)
		if b.side != inside {
			outside.note(f.at, f.id)
			outside.variant = "low"
			if b.side == high {
				outside.variant = "high"
			}
			outside.params = limitParams(b, false)
		} else {
			out = outside.close(out, f.at, f.id)
		}
		if b.near {
			near.note(f.at, f.id)
			near.params = limitParams(b, true)
		} else {
			out = near.close(out, f.at, f.id)
		}
		if disagrees(a, b) {
			differ.note(f.at, a.f.id, f.id)
			differ.params = disagreeParams(a, b)
		} else {
			out = differ.close(out, f.at, f.id)
		}
		a = b
	}
	out = outside.end(out, c.end)
	out = near.end(out, c.end)
	return differ.end(out, c.end)
}

// badFindings appends the episodes of bad.
func (c *check) badFindings(out []episode) []episode {
	bad := opened{episode: episode{rule: ruleBad, target: c.id, severity: Act}}
	for _, f := range c.doings {
		if f.kind == logbook.Tick && f.bad {
			bad.note(f.at, f.id)
		} else {
			out = bad.close(out, f.at, f.id)
		}
	}
	return bad.end(out, c.end)
}

// opened builds the episodes of one subject one after the other.
type opened struct {
	episode
	open bool
}

// note opens an episode, or goes on with the open one.
func (o *opened) note(at int64, entries ...logbook.EntryID) {
	if !o.open {
		o.open, o.raised, o.entries, o.params = true, at, nil, nil
	}
	o.entries = append(o.entries, entries...)
}

// close ends the open episode, if there is one, by an entry.
func (o *opened) close(out []episode, at int64, entry logbook.EntryID) []episode {
	if !o.open {
		return out
	}
	o.entries = append(o.entries, entry)
	return o.end(out, at)
}

func (o *opened) end(out []episode, at int64) []episode {
	if !o.open {
		return out
	}
	o.open, o.cleared = false, at
	if o.raised < o.cleared {
		out = append(out, o.episode)
	}
	return out
}

func limitParams(j judgement, warn bool) []Param {
	ps := []Param{textParam("unit", j.limits.Unit)}
	if j.limits.Unit == "" {
		ps = ps[:0]
	}
	if j.f.hasValue {
		ps = append(ps, microParam("value", j.f.value))
	} else {
		ps = append(ps, textParam("marks", j.f.marks))
	}
	if j.limits.HasLow {
		ps = append(ps, microParam("low", j.limits.Low))
	}
	if j.limits.HasHigh {
		ps = append(ps, microParam("high", j.limits.High))
	}
	if warn {
		ps = append(ps, microParam("warn", j.limits.Warn))
	}
	return sortParams(ps)
}

func disagreeParams(a, b judgement) []Param {
	read := func(name string, f *fact) Param {
		if f.hasValue {
			return microParam(name, f.value)
		}
		return textParam(name, f.marks)
	}
	ps := []Param{
		read("a", a.f), read("b", b.f),
		wholeParam("at_a", a.f.at), wholeParam("at_b", b.f.at),
		textParam("by_a", a.f.by), textParam("by_b", b.f.by),
	}
	if b.limits.Unit != "" {
		ps = append(ps, textParam("unit", b.limits.Unit))
	}
	return sortParams(ps)
}
