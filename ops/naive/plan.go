package naive

import (
	"encoding/json"
	"fmt"
	"sort"
)

type plan struct {
	Site struct {
		Zone        string
		TZ          []byte
		TZV         string
		Milkings    string
		ManualAfter *int64 `json:"manual_after"`
		QuietAfter  int64  `json:"quiet_after"`
	}
	Gates  map[string]*gate
	Parts  map[string]*part
	Checks map[string]*check

	milkings []milkingPeriod
}

type gate struct {
	Since    int64
	Retired  *int64
	Learning int64
	Rates    string

	rates []ratesPeriod
}

type part struct {
	Gate    string
	Type    string
	Since   int64
	Retired *int64
}

type check struct {
	Gate, Part, Kind string
	Cadence, Limits  string
	Recheck          *int64
	Since            int64
	Retired          *int64

	cadence []cadencePeriod
	limits  []limitsPeriod
}

type cadencePeriod struct {
	From  int64
	Every string
	N     int64
	Mode  string
	Grace int64
	By    *string
	On    *int64

	Event       string // every event
	After       int64
	Rule, Start string // every calendar
}

type limitsPeriod struct {
	From      int64
	Unit      *string
	Low, High *micro
	Warn      *micro
	Agree     *micro
	Within    *int64
	U, Guard  micro
	Chart     string
	Horizon   int64
}

type ratesPeriod struct {
	From int64
	Low  *micro // percent
	Fall *micro // percentage points
}

type milkingPeriod struct {
	From     int64
	Milkings []struct{ Start, End string }
}

// entry holds the fields that the rules read.
type entry struct {
	ID, Kind, By      string
	At                int64
	Gate, Part, Check string
	Replaces, Of      string
	Bad, Stops, Out   bool
	Value             *micro
	Unit, Marks, Mode string
	Seen, Flag, Why   string
	Device, Dev       string
	Offset            int64
	Visit, State      string
	Event             string
	U                 *micro
	Baseline          bool
	Passages, Read    int64
}

func (p *plan) unpack() error {
	text := func(field, s string, into any) error {
		if s == "" {
			return nil
		}
		if err := json.Unmarshal([]byte(s), into); err != nil {
			return fmt.Errorf("reading %s: %w", field, err)
		}
		return nil
	}
	if err := text("milkings", p.Site.Milkings, &p.milkings); err != nil {
		return err
	}
	for id, g := range p.Gates {
		if err := text("rates of "+id, g.Rates, &g.rates); err != nil {
			return err
		}
	}
	for id, c := range p.Checks {
		if err := text("cadence of "+id, c.Cadence, &c.cadence); err != nil {
			return err
		}
		if err := text("limits of "+id, c.Limits, &c.limits); err != nil {
			return err
		}
		for k := range c.cadence {
			if c.cadence[k].N == 0 {
				c.cadence[k].N = 1
			}
			switch {
			case c.cadence[k].Every == "event" || c.cadence[k].Every == "passages":
				c.cadence[k].Mode = "after"
			case c.cadence[k].Mode == "":
				c.cadence[k].Mode = "fixed"
			}
		}
		// A check of nothing known is as good as none.
		if p.Gates[c.Gate] == nil || c.Part != "" && p.Parts[c.Part] == nil {
			delete(p.Checks, id)
		}
	}
	return nil
}

func end(retired *int64) int64 {
	if retired == nil {
		return never
	}
	return *retired
}

func (g *gate) end() int64 { return end(g.Retired) }
func (p *part) end() int64 { return end(p.Retired) }

func (c *check) recheck() int64 {
	if c.Recheck == nil {
		return 60
	}
	return *c.Recheck
}

func (c *check) froms() []int64 {
	list := []int64{}
	for _, p := range c.cadence {
		list = append(list, p.From)
	}
	return list
}

// nextFrom is when the period after the k-th comes in force.
func (c *check) nextFrom(k int) int64 {
	if k+1 < len(c.cadence) {
		return c.cadence[k+1].From
	}
	return never
}

// periodAt is the index of the cadence period in force at t, or -1.
func (c *check) periodAt(t int64) int {
	found := -1
	for k, p := range c.cadence {
		if p.From <= t {
			found = k
		}
	}
	return found
}

// limitsAt is the limits period in force at t, or nil.
func (c *check) limitsAt(t int64) *limitsPeriod {
	var found *limitsPeriod
	for k := range c.limits {
		if c.limits[k].From <= t {
			found = &c.limits[k]
		}
	}
	return found
}

// ratesAt is the rates period in force at t, or nil.
func (g *gate) ratesAt(t int64) *ratesPeriod {
	var found *ratesPeriod
	for k := range g.rates {
		if g.rates[k].From <= t {
			found = &g.rates[k]
		}
	}
	return found
}

// live is when check id is in use: [start, end).
func (p *plan) live(id string) (start, stop int64) {
	c := p.Checks[id]
	start, stop = c.Since, end(c.Retired)
	g := p.Gates[c.Gate]
	start, stop = max(start, g.Since), min(stop, g.end())
	if c.Part != "" {
		start, stop = max(start, p.Parts[c.Part].Since), min(stop, p.Parts[c.Part].end())
	}
	return start, stop
}

func sortedKeys[V any](m map[string]V) []string {
	keys := []string{}
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
