package logbook

import (
	"time"

	"gatewright/schema/num"
)

// Plan is what a site should do, as read from the plan document's projection.
type Plan struct {
	Site   Site
	Gates  map[string]*Gate
	Parts  map[string]*Part
	Checks map[string]*Check
	Rounds map[string]*Round

	// The ids of the maps, sorted: map order must never reach an output.
	GateIDs, PartIDs, CheckIDs, RoundIDs []string

	// Problems lists what was left out or replaced by a default, in order of
	// its path. An empty list means that all of the plan is in force.
	Problems []Problem
}

// Site is one farm yard.
type Site struct {
	ID          string // UUID
	Name        string
	Zone        string         // IANA name, for people
	TZ          []byte         // TZif bytes that decide, the same on every replica
	TZVersion   string         // of the time-zone data they come from
	Location    *time.Location // from TZ; UTC when that cannot be read
	Milkings    []MilkingPeriod
	ManualAfter int // minutes that a gate may be in manual before it is a flag
	QuietAfter  int // minutes without an entry by a person before it is a flag; 0 = never
	Lang        string
}

// DefaultManualAfter is used when the site does not say, in minutes.
const DefaultManualAfter = 30

// MilkingPeriod is the list of milkings in force from an instant on, until the
// next period begins.
type MilkingPeriod struct {
	From     int64
	Milkings []Milking
}

// Milking is one milking, or shift, of the day.
type Milking struct {
	ID    string
	Name  string
	Start int // minutes of the local day, 0 to 1439
	End   int // 0 to 1440; the next local day when not after Start
}

// Gate is one sorting gate.
type Gate struct {
	ID         string
	Name       string
	Order      int
	Drive      string // air, electric
	Layout     string // canonical JSON, read by the timing calculation
	Indicators []Indicator
	Learning   int64        // until then what the gate and its checks say is no measure of anything later; 0 = never
	Rates      []RatePeriod // empty = the read rate is not judged
	Since      int64
	Retired    int64 // 0 = in use
}

// RatePeriod says which read rates are to be told, from an instant on until
// the next period begins.
type RatePeriod struct {
	From   int64
	HasLow bool
	Low    num.Micro // percent of passages that should be read at least
	Fall   num.Micro // percentage points below the rate at first; 0 = not judged
}

// DefaultFall is used when a rate period does not say, in percentage points.
const DefaultFall = num.One

// Indicator is a lamp, line of a display or sound of the gate, and what its
// states mean at this gate.
type Indicator struct {
	ID     string
	Name   string
	States []IndicatorState
}

// IndicatorState is one state of an Indicator.
type IndicatorState struct {
	ID    string
	Name  string
	Means string
	OK    bool
}

// Part is one part of a gate.
type Part struct {
	ID      string
	Gate    string
	Type    string
	Name    string
	HasPos  bool
	X, Y    num.Micro // m, on the gate's drawing
	Order   int
	Since   int64
	Retired int64 // 0 = in use
}

// Check is one thing to do or measure.
type Check struct {
	ID       string
	Gate     string
	Part     string // empty = of the gate as a whole
	Name     string
	Kind     CheckKind
	Cadence  []CadencePeriod // empty = never falls due
	Limits   []LimitPeriod
	Recheck  int       // minutes until a bad finding is looked at again
	Minutes  num.Micro // that the work takes
	How      string
	Cautions []int // numbers of the cautions list
	Source   string
	Order    int
	Since    int64
	Retired  int64 // 0 = in use
}

// DefaultRecheck is used when a check does not say, in minutes.
const DefaultRecheck = 60

// CheckKind says what a check is answered with.
type CheckKind string

// The kinds of check, each beside the entry kind that answers it.
const (
	LookCheck      CheckKind = "look"      // tick
	NumberCheck    CheckKind = "number"    // reading
	ModeCheck      CheckKind = "mode"      // mode
	IndicatorCheck CheckKind = "indicator" // indicator
	CountCheck     CheckKind = "count"     // count
	VisitCheck     CheckKind = "visit"     // a visit that was closed
)

// Every is the step of a cadence.
type Every string

// The steps of a cadence.
const (
	EveryMilking  Every = "milking"
	EveryDay      Every = "day"
	EveryWeek     Every = "week"
	EveryMonth    Every = "month"
	EveryPassages Every = "passages" // so many animals through the gate
	EveryEvent    Every = "event"    // something happened
	EveryCalendar Every = "calendar" // a recurrence rule
)

// EventVisit is the Event of a cadence after a service visit; the others are
// those of event entries.
const EventVisit = "visit"

// CadenceMode says what a cadence counts from.
type CadenceMode string

// Fixed boundaries of the calendar, or the last time the check was done.
const (
	FixedCadence CadenceMode = "fixed"
	LastCadence  CadenceMode = "last"
)

// CadencePeriod is the cadence in force from an instant on, until the next
// period begins.
type CadencePeriod struct {
	From  int64
	Every Every
	N     int         // every N-th; 1 when not given
	Mode  CadenceMode // fixed when not given; empty for passages and event
	Grace int         // minutes after the due instant
	By    int         // minutes of the local day, 0 to 1440; 1440 when not given
	On    int         // weekday 1 (Monday) to 7, or day of the month 1 to 31; 0 = the last
	Event string      // event: which
	After int         // event: minutes from it until it is due
	Rule  string      // calendar: RFC 5545 recurrence rule, without "RRULE:"
	Start string      // calendar: local date-time from which it counts, 2026-03-29T05:30:00
}

// LimitPeriod is the limits in force from an instant on, until the next period
// begins: an old reading is judged by the limits of its day.
type LimitPeriod struct {
	From     int64
	Unit     string
	HasLow   bool
	Low      num.Micro
	HasHigh  bool
	High     num.Micro
	HasWarn  bool
	Warn     num.Micro // width of the warning band inside each limit
	Marks    bool      // the gauge has marks: below, between and above are answers
	HasAgree bool
	Agree    num.Micro // two people's readings may differ by this much
	Within   int       // minutes between such readings
	U        num.Micro // standard uncertainty of a reading that does not say its own; 0 = not known
	Guard    num.Micro // a reading closer to a limit than so many times its uncertainty is in doubt
	Chart    Chart     // how a shift is looked for; empty = it is not
	Horizon  int       // days within which a drift to a limit is told; 0 = it is not
}

// Chart is a way of looking for a shift in readings.
type Chart string

// The charts.
const (
	IndividualsChart Chart = "individuals"
	EWMAChart        Chart = "ewma"
	CUSUMChart       Chart = "cusum"
)

// DefaultWithin is used when a limit does not say, in minutes.
const DefaultWithin = 30

// Round is a list of checks walked together.
type Round struct {
	ID      string
	Name    string
	Milking string // empty = at no particular milking
	Checks  []string
	Order   int
	Since   int64
	Retired int64 // 0 = in use
}

// LimitsAt is the limits in force at an instant, or nil.
func (c *Check) LimitsAt(at int64) *LimitPeriod {
	for i := len(c.Limits) - 1; i >= 0; i-- {
		if c.Limits[i].From <= at {
			return &c.Limits[i]
		}
	}
	return nil
}

// RatesAt is the rate period in force at an instant, or nil.
func (g *Gate) RatesAt(at int64) *RatePeriod {
	for i := len(g.Rates) - 1; i >= 0; i-- {
		if g.Rates[i].From <= at {
			return &g.Rates[i]
		}
	}
	return nil
}

// CadenceAt is the cadence in force at an instant, or nil.
func (c *Check) CadenceAt(at int64) *CadencePeriod {
	for i := len(c.Cadence) - 1; i >= 0; i-- {
		if c.Cadence[i].From <= at {
			return &c.Cadence[i]
		}
	}
	return nil
}

// MilkingsAt is the milkings in force at an instant, or none.
func (s *Site) MilkingsAt(at int64) []Milking {
	for i := len(s.Milkings) - 1; i >= 0; i-- {
		if s.Milkings[i].From <= at {
			return s.Milkings[i].Milkings
		}
	}
	return nil
}
