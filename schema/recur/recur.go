// Package recur names the times at which a recurrence rule (RFC 5545 RRULE)
// falls in a zone.
package recur

import (
	"strings"
	"time"

	"gatewright/schema/cadence"
	"gatewright/schema/input"
	"gatewright/schema/recur/wall"
	"gatewright/schema/zones"
)

// NextInput asks for the next times of a rule.
type NextInput struct {
	Start string  `json:"start" doc:"first local date and time of the rule, such as 2026-03-29T05:30:00, from 1970 to 2199" most:"40"`
	Zone  string  `json:"zone" doc:"name of the zone, such as Europe/Dublin" most:"100"`
	Rule  string  `json:"rule" doc:"RRULE of RFC 5545, such as FREQ=WEEKLY;BYDAY=MO" most:"2000"`
	Count int     `json:"count" doc:"how many times are wanted" min:"1" max:"1000"`
	After *string `json:"after" doc:"only times after this instant (with offset, or Z) or local time; from start on without it" most:"40"`
}

// NextResult are those times; fewer than asked when the rule ends.
type NextResult struct {
	Instants  []string `json:"instants" doc:"instants with their offset, RFC 3339"`
	Local     []string `json:"local" doc:"the local times that the rule names; in a spring gap they are no time that a clock shows"`
	TZVersion string   `json:"tz_version" doc:"release of the time zone database that was used"`
}

const (
	countMost = 1000
	local     = "2006-01-02T15:04:05"
)

// Next names up to count times of a rule, in order.
//
// The rule is evaluated on a wall clock that always has 24 hours, and then each
// local time is put into the zone: it happens at the first instant at which
// local clocks show it or later. So a local time that is skipped in spring
// falls on the first instant after the gap, a doubled one in autumn on its
// first occurrence, and neither loses nor doubles an occurrence. (Rules finer
// than a day may have several local times in one gap; they fall together.)
// RFC 5545 says otherwise of the gap: that a nonexistent local time is ignored
// and not counted, and in 3.3.5 that a nonexistent start is read with the
// offset before the gap, an hour later than its own wall-clock. What is due on
// a farm at half past one is due that night, too.
//
// The start is an occurrence only if it fits the rule. UNTIL may be local, like
// the start, or in UTC (Z), as RFC 5545 asks beside a zone; it needs a time.
//
// Two evaluators written apart read the rule: github.com/teambition/rrule-go
// and schema/recur/wall, and an answer is given only when they agree. The
// second one looks first, because it counts its steps and the other cannot be
// stopped once it looks for a time that never comes. Rules with a BYWEEKNO of
// 52 or 53, from either end, are the second one's alone: rrule-go (1.8.2) errs
// about the first days of years there (1983-01-01 is in week 52, it says 53).
//
// It refuses, naming the field: what RFC 5545 does not allow, also where
// rrule-go does (BYEASTER, numbers on weekdays of weekly rules, INTERVAL=0,
// COUNT beside UNTIL, UNTIL without a time, parts given twice …); years outside
// 1970 to 2199; a rule without any occurrence; a rule that takes too many
// steps.
func Next(in NextInput) (NextResult, error) {
	if in.Count < 1 || in.Count > countMost {
		return NextResult{}, input.Bad("count", "must be from 1 to 1000")
	}
	var loc *time.Location
	table, err := zones.Table(in.Zone)
	if err == nil {
		loc, err = time.LoadLocationFromTZData(in.Zone, table)
	}
	if err != nil {
		return NextResult{}, input.Bad("zone", "must be a name of the time zone database, such as Europe/Dublin")
	}
	rule, until, err := localUntil(in.Rule, loc)
	if err != nil {
		return NextResult{}, err
	}
	r, err := wall.ParseAny(rule, in.Start)
	if err != nil {
		return NextResult{}, named(err)
	}
	after := int64(-1 << 62)
	if in.After != nil {
		if after, err = instantOf(*in.After, loc); err != nil {
			return NextResult{}, err
		}
	}
	return next(in, r, loc, after, until)
}

// stepsMost bounds what one question costs: days looked at, times found.
const stepsMost = 1_000_000

func next(in NextInput, r *wall.Rule, loc *time.Location, after, until int64) (NextResult, error) {
	out := NextResult{Instants: []string{}, Local: []string{}, TZVersion: zones.Version()}
	// No zone is a day and two hours off UTC, so what is earlier on the wall
	// clock is not after.
	var found []int64
	done := r.Walk(max(after, -1<<50)-26*3600*1000, 1<<62, stepsMost, func(at int64) bool {
		instant := cadence.Instant(loc, at)
		if instant <= after {
			return true
		}
		if instant > until {
			return false
		}
		found = append(found, at)
		shown := time.UnixMilli(instant).In(loc)
		if _, offset := shown.Zone(); offset%60 != 0 {
			shown = shown.UTC() // RFC 3339 has no offsets with seconds, such as Monrovia's until 1972
		}
		out.Instants = append(out.Instants, shown.Format(time.RFC3339))
		out.Local = append(out.Local, time.UnixMilli(at).UTC().Format(local))
		return len(found) < in.Count
	})
	if !done {
		return NextResult{}, input.Bad("rule", "must not take so many steps to find its times: choose a longer FREQ")
	}
	if err := agree(r, found); err != nil {
		return NextResult{}, err
	}
	return out, nil
}

// instantOf reads an instant or a local time.
func instantOf(text string, loc *time.Location) (int64, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil && t.Year() >= 1 && t.Year() <= 9999 {
		return t.UnixMilli(), nil
	}
	if t, err := time.Parse(local, text); err == nil {
		return cadence.Instant(loc, t.UnixMilli()), nil
	}
	return 0, input.Bad("after", "must be an instant such as 2026-03-29T05:30:00+01:00 or a local date and time such as 2026-03-29T05:30:00")
}

// localUntil turns an UNTIL in UTC into one that the wall clock can be asked
// about, surely not too early, and gives its instant.
func localUntil(rule string, loc *time.Location) (string, int64, error) {
	parts := strings.Split(rule, ";")
	until := int64(1 << 62)
	for i, part := range parts {
		name, value, _ := strings.Cut(part, "=")
		if !strings.HasSuffix(strings.ToUpper(name), "UNTIL") || !strings.HasSuffix(strings.ToUpper(value), "Z") {
			continue
		}
		t, err := time.Parse("20060102T150405Z", strings.ToUpper(value))
		if err != nil || t.Year() < wall.FirstYear || t.Year() > wall.LastYear {
			return "", 0, input.Bad("rule", "must have an UNTIL that exists, from 1970 to 2199, such as 20261231T235959Z")
		}
		until = t.UnixMilli()
		// A day more, since clocks that go back have shown later times before.
		_, offset := t.In(loc).Zone()
		shown := t.Add(time.Duration(offset)*time.Second + 24*time.Hour)
		if shown.Year() > wall.LastYear {
			shown = time.Date(wall.LastYear, 12, 31, 23, 59, 59, 0, time.UTC)
		}
		parts[i] = name + "=" + shown.Format("20060102T150405")
	}
	return strings.Join(parts, ";"), until, nil
}

// named is wall's problem as an input's.
func named(err error) error {
	if p, ok := err.(*wall.Problem); ok {
		return input.Bad(p.Field, p.Message)
	}
	return err
}
