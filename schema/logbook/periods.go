package logbook

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"gatewright/schema/canon"
	"gatewright/schema/num"
)

// reader reads the members of one object; the first problem sticks.
type reader struct {
	v    canon.Value
	path string
	p    *Problem
}

func (r *reader) get(name string, need bool) (canon.Value, string, bool) {
	path := r.path + "." + name
	if r.p != nil {
		return canon.Value{}, path, false
	}
	v, ok := r.v.Get(name)
	if !ok && need {
		r.p = problem(path, "is missing")
	}
	return v, path, ok
}

func (r *reader) text(name string, need bool, rl rule) string {
	v, path, ok := r.get(name, need)
	if !ok {
		return ""
	}
	s, p := textOf(v, path, rl)
	r.p = p
	return s
}

func (r *reader) whole(name string, low, high, otherwise int) int {
	v, path, ok := r.get(name, false)
	if !ok {
		return otherwise
	}
	n, p := wholeOf(v, path, int64(low), int64(high))
	r.p = p
	return int(n)
}

func (r *reader) micro(name string, low num.Micro) (num.Micro, bool) {
	v, path, ok := r.get(name, false)
	if !ok {
		return 0, false
	}
	m, p := microOf(v, path, low)
	r.p = p
	return m, p == nil
}

// microTo is micro with an upper bound, and a value when it is not given.
func (r *reader) microTo(name string, low, high, otherwise num.Micro) num.Micro {
	m, ok := r.micro(name, low)
	if !ok {
		return otherwise
	}
	if m > high {
		r.p = problem(r.path+"."+name, "must be at most "+high.String())
	}
	return m
}

// without refuses members that have no meaning beside another.
func (r *reader) without(beside string, names ...string) {
	for _, name := range names {
		if _, ok := r.v.Get(name); ok && r.p == nil {
			r.p = problem(r.path+"."+name, "must not be given for a cadence of "+beside)
		}
	}
}

func (r *reader) truth(name string, need bool) bool {
	v, path, ok := r.get(name, need)
	if !ok {
		return false
	}
	b, p := truthOf(v, path)
	r.p = p
	return b
}

// clock reads HH:MM as minutes of the local day, 24:00 included when most is
// 1440. otherwise < 0 makes it a field that must be there.
func (r *reader) clock(name string, most, otherwise int) int {
	v, path, ok := r.get(name, otherwise < 0)
	if !ok {
		return otherwise
	}
	s, p := textOf(v, path, func(name, s string) *Problem {
		if m, ok := minutesOfDay(s); !ok || m > most {
			return problem(name, "must be a time of day, such as 05:30")
		}
		return nil
	})
	r.p = p
	m, _ := minutesOfDay(s)
	return m
}

func minutesOfDay(s string) (int, bool) {
	if len(s) != 5 || s[2] != ':' {
		return 0, false
	}
	for _, i := range [...]int{0, 1, 3, 4} {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
	}
	h := int(s[0]-'0')*10 + int(s[1]-'0')
	m := int(s[3]-'0')*10 + int(s[4]-'0')
	return h*60 + m, m < 60 && (h < 24 || h == 24 && m == 0)
}

// from reads the instant from which a period is in force, later than the one
// before it.
func (r *reader) from(before int64, first bool) int64 {
	v, path, ok := r.get("from", true)
	if !ok {
		return 0
	}
	at, p := instantOf(v, path, true)
	if p == nil && !first && at <= before {
		p = relation(path, "must be later than that of the period before it")
	}
	r.p = p
	return at
}

// eachObject walks a list of at most `most` objects.
func eachObject(list canon.Value, path string, least, most int, do func(r *reader, i int)) *Problem {
	if p := listOf(list, path, least, most); p != nil {
		return p
	}
	for i, item := range list.List {
		if item.Kind != canon.Object {
			return wrongKind(index(path, i), canon.Object, item.Kind)
		}
		r := reader{v: item, path: index(path, i)}
		do(&r, i)
		if r.p != nil {
			return r.p
		}
	}
	return nil
}

func cadencePeriods(list canon.Value, path string) ([]CadencePeriod, *Problem) {
	var out []CadencePeriod
	var last int64
	p := eachObject(list, path, 0, 100, func(r *reader, i int) {
		c := CadencePeriod{From: r.from(last, i == 0)}
		last = c.From
		c.Every = Every(r.text("every", true, oneOf("milking", "day", "week", "month", "passages", "event", "calendar")))
		most := 366
		switch c.Every {
		case EveryPassages:
			most = 10_000_000
			r.without("passages", "mode", "by", "on")
		case EveryEvent:
			r.without("an event", "n", "mode", "by", "on")
			c.Event = r.text("event", true, oneOf(append(slices.Clone(events), EventVisit)...))
			c.After = r.whole("after", 0, 525600, 0)
		case EveryCalendar:
			r.without("the calendar", "n", "by", "on")
			c.Rule = r.text("rule", true, recurrence)
			c.Start = r.text("start", true, localTime)
		}
		if c.Every != EveryEvent {
			r.without(string(c.Every), "event", "after")
		}
		if c.Every != EveryCalendar {
			r.without(string(c.Every), "rule", "start")
		}
		c.N = r.whole("n", 1, most, 1)
		c.Mode = CadenceMode(r.text("mode", false, oneOf("fixed", "last")))
		if c.Mode == "" && c.Every != EveryPassages && c.Every != EveryEvent {
			c.Mode = FixedCadence
		}
		c.Grace = r.whole("grace", 0, 86400, 0)
		c.By = r.clock("by", 1440, 1440)
		c.On = r.whole("on", 1, 31, 0)
		if r.p != nil {
			return
		}
		switch {
		case c.Every == EveryCalendar && c.Mode != FixedCadence:
			r.p = problem(r.path+".mode", "must be fixed for a cadence of the calendar")
		case c.Every == EveryMilking && c.Mode == FixedCadence && c.N != 1:
			r.p = problem(r.path+".n", "must be 1 for a cadence of every milking")
		case c.Every == EveryWeek && c.On > 7:
			r.p = problem(r.path+".on", "must be a weekday from 1 (Monday) to 7")
		}
		out = append(out, c)
	})
	if p != nil {
		return nil, p
	}
	return out, nil
}

func limitPeriods(list canon.Value, path string) ([]LimitPeriod, *Problem) {
	var out []LimitPeriod
	var last int64
	p := eachObject(list, path, 0, 100, func(r *reader, i int) {
		l := LimitPeriod{From: r.from(last, i == 0)}
		last = l.From
		l.Unit = r.text("unit", true, unit)
		l.Low, l.HasLow = r.micro("low", -num.MicroMax)
		l.High, l.HasHigh = r.micro("high", -num.MicroMax)
		l.Warn, l.HasWarn = r.micro("warn", 0)
		l.Marks = r.truth("marks", false)
		l.Agree, l.HasAgree = r.micro("agree", 0)
		l.Within = r.whole("within", 1, 10080, DefaultWithin)
		l.U = r.microTo("u", 0, num.MicroMax, 0)
		l.Guard = r.microTo("guard", 0, 10*num.One, 0)
		l.Chart = Chart(r.text("chart", false, oneOf("individuals", "ewma", "cusum")))
		l.Horizon = r.whole("horizon", 1, 366, 0)
		if r.p == nil && l.HasLow && l.HasHigh && l.Low >= l.High {
			r.p = relation(r.path+".low", "must be below high")
		}
		out = append(out, l)
	})
	if p != nil {
		return nil, p
	}
	return out, nil
}

func ratePeriods(list canon.Value, path string) ([]RatePeriod, *Problem) {
	var out []RatePeriod
	var last int64
	p := eachObject(list, path, 0, 100, func(r *reader, i int) {
		t := RatePeriod{From: r.from(last, i == 0)}
		last = t.From
		_, t.HasLow = r.v.Get("low")
		t.Low = r.microTo("low", 0, 100*num.One, 0)
		t.Fall = r.microTo("fall", 0, 100*num.One, DefaultFall)
		out = append(out, t)
	})
	if p != nil {
		return nil, p
	}
	return out, nil
}

// recurrence has the form of a recurrence rule by days or more.
func recurrence(name, s string) *Problem {
	ok := len(s) <= 500
	for i := range len(s) {
		c := s[i]
		ok = ok && (c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '=' || c == ';' || c == ',' || c == '+' || c == '-')
	}
	found := 0
	for part := range strings.SplitSeq(s, ";") {
		switch part {
		case "":
			ok = false
		case "FREQ=DAILY", "FREQ=WEEKLY", "FREQ=MONTHLY", "FREQ=YEARLY":
			found++
		}
	}
	switch {
	case !ok || found == 0:
		return problem(name, "must be a recurrence rule of at most 500 characters, by days or more, such as FREQ=MONTHLY;BYDAY=1MO")
	case strings.Count(s, "FREQ=") > 1:
		return relation(name, "must say FREQ once")
	}
	return nil
}

// localTime is a date and time of day without zone.
func localTime(name, s string) *Problem {
	const form = "20dd-dd-ddTdd:dd:dd"
	ok := len(s) == len(form)
	for i := 0; ok && i < len(s); i++ {
		ok = s[i] == form[i] || form[i] == 'd' && s[i] >= '0' && s[i] <= '9'
	}
	if !ok {
		return problem(name, "must be a local date and time of the years 2000 to 2099, such as 2026-03-29T05:30:00")
	}
	if _, err := time.Parse("2006-01-02T15:04:05", s); err != nil {
		return relation(name, "names a date or time that does not exist")
	}
	return nil
}

func milkingPeriods(list canon.Value, path string) ([]MilkingPeriod, *Problem) {
	var out []MilkingPeriod
	var last int64
	p := eachObject(list, path, 0, 50, func(r *reader, i int) {
		m := MilkingPeriod{From: r.from(last, i == 0)}
		last = m.From
		v, at, ok := r.get("milkings", true)
		if ok {
			m.Milkings, r.p = milkings(v, at)
		}
		out = append(out, m)
	})
	if p != nil {
		return nil, p
	}
	return out, nil
}

// milkings are in the order of the day and do not overlap; only the last may
// run past midnight, and then not into the first of the next day.
func milkings(list canon.Value, path string) ([]Milking, *Problem) {
	var out []Milking
	p := eachObject(list, path, 0, 24, func(r *reader, i int) {
		m := Milking{ID: r.text("id", true, itemID), Name: r.text("name", true, upTo(120))}
		m.Start = r.clock("start", 1439, -1)
		m.End = r.clock("end", 1440, -1)
		if r.p != nil {
			return
		}
		for _, o := range out {
			if o.ID == m.ID {
				r.p = relation(r.path+".id", "repeats "+m.ID)
				return
			}
		}
		end := m.End
		if end < m.Start {
			end += 1440
		}
		switch {
		case m.Start == m.End:
			r.p = relation(r.path+".end", "must differ from start")
		case i > 0 && m.Start < out[i-1].End:
			r.p = relation(r.path+".start", "must not be before the end of the milking before it")
		case end > 1440 && i < len(list.List)-1:
			r.p = relation(r.path+".end", "must not be past midnight, except that of the last milking")
		case end > 1440 && i > 0 && m.End > out[0].Start, end == 2880:
			r.p = relation(r.path+".end", "must not reach into the first milking of the next day")
		}
		out = append(out, m)
	})
	if p != nil {
		return nil, p
	}
	return out, nil
}

func indicators(list canon.Value, path string) ([]Indicator, *Problem) {
	var out []Indicator
	p := eachObject(list, path, 0, 50, func(r *reader, i int) {
		in := Indicator{ID: r.text("id", true, wordID), Name: r.text("name", true, upTo(120))}
		for _, o := range out {
			if r.p == nil && o.ID == in.ID {
				r.p = relation(r.path+".id", "repeats "+in.ID)
			}
		}
		v, at, ok := r.get("states", true)
		if ok {
			r.p = eachObject(v, at, 1, 50, func(r *reader, _ int) {
				s := IndicatorState{
					ID: r.text("id", true, wordID), Name: r.text("name", true, upTo(120)),
					Means: r.text("means", false, upTo(400)), OK: r.truth("ok", true),
				}
				for _, o := range in.States {
					if r.p == nil && o.ID == s.ID {
						r.p = relation(r.path+".id", "repeats "+s.ID)
					}
				}
				in.States = append(in.States, s)
			})
		}
		out = append(out, in)
	})
	if p != nil {
		return nil, p
	}
	return out, nil
}

func cautions(list canon.Value, path string) ([]int, *Problem) {
	if p := listOf(list, path, 0, 50); p != nil {
		return nil, p
	}
	var out []int
	for i, item := range list.List {
		n, p := wholeOf(item, index(path, i), 1, 999)
		if p != nil {
			return nil, p
		}
		for _, o := range out {
			if o == int(n) {
				return nil, problem(index(path, i), "repeats "+strconv.Itoa(o))
			}
		}
		out = append(out, int(n))
	}
	return out, nil
}
