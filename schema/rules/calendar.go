package rules

import (
	"gatewright/schema/cadence"
	"gatewright/schema/recur/wall"
)

// series are boundaries in order.
type series interface {
	Prev(t int64) int64 // the greatest not after t, or cadence.Before
	Next(t int64) int64 // the least after t, or cadence.Never
}

// calendar are the boundaries of a recurrence rule: its local times, each at
// the first instant at which clocks show it or later.
type calendar struct {
	rule *wall.Rule
	wall *cadence.Wall
}

// noSeries are the boundaries of a rule that cannot be read.
type noSeries struct{}

func (noSeries) Prev(int64) int64 { return cadence.Before }
func (noSeries) Next(int64) int64 { return cadence.Never }

// calendarOf reads a rule; one that cannot be read has no boundaries.
func (e *Engine) calendarOf(rule, start string) series {
	r, err := wall.Parse(rule, start)
	if err != nil {
		return noSeries{}
	}
	return &calendar{r, cadence.NewWall(e.loc)}
}

// Rules are read from 1970 to 2199; instants beyond are as good as the ends.
const (
	firstAsked = -10 * 366 * dayMs
	lastAsked  = 240 * 366 * dayMs
)

// Next looks from what clocks show at t on: where they were put back, they
// have shown later times already.
func (c *calendar) Next(t int64) int64 {
	t = max(firstAsked, min(t, lastAsked))
	local := c.wall.Shown(t)
	for {
		next, ok := c.rule.Next(local)
		if !ok {
			return cadence.Never
		}
		if at := c.wall.Instant(next); at > t {
			return at
		}
		local = next
	}
}

func (c *calendar) Prev(t int64) int64 {
	t = max(firstAsked, min(t, lastAsked))
	at, local := int64(cadence.Before), c.wall.Shown(t)
	if prev, ok := c.rule.Prev(local); ok {
		at, local = c.wall.Instant(prev), prev
	}
	for {
		next, ok := c.rule.Next(local)
		if !ok {
			return at
		}
		then := c.wall.Instant(next)
		if then > t {
			return at
		}
		at, local = then, next
	}
}
