package main

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"strconv"
	"time"

	"gatewright/api/starter"
	"gatewright/schema/logbook"
	"gatewright/schema/num"
	"gatewright/schema/zones"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
)

const (
	zone   = "Europe/Dublin"
	siteID = "5f0c7d8e-52f1-4a3e-9d0b-7c1a2b3c4d5e"
	perDay = 60
)

// last is the morning up to which histories go.
var last = time.Date(2026, time.November, 25, 0, 0, 0, 0, time.UTC)

// opening is the morning on which the gates of a site with so long a log came into use.
func opening(entries int) time.Time { return last.AddDate(0, 0, -(entries+perDay-1)/perDay) }

// writtenPlan is the plan that a site with two gates opens with, as the server writes it: the stored changes, in order
// of dependence.
func writtenPlan(ctx context.Context, opening time.Time) ([][]byte, error) {
	table, err := zones.Table(zone)
	if err != nil {
		return nil, err
	}
	since := opening.UnixMilli()
	items, err := starter.Plan(starter.Site{ID: siteID, Name: "Bench", Zone: zone, Table: table, TableVersion: zones.Version(),
		Milkings: starter.UsualMilkings(), Since: since},
		[]starter.Gate{starter.UsualGate("e", "East race", since), starter.UsualGate("w", "West race", since)})
	if err != nil {
		return nil, fmt.Errorf("making the plan: %w", err)
	}
	store := memstore.New()
	store.PutSite(siteID)
	runner := hub.NewRunner(store, hub.Config{StorageID: "bench", Now: func() time.Time { return opening }}, slog.New(slog.DiscardHandler))
	if err := runner.WritePlan(ctx, siteID, items); err != nil {
		return nil, fmt.Errorf("writing the plan: %w", err)
	}
	if err := runner.Close(ctx); err != nil {
		return nil, err
	}
	stored, _, err := store.Load(ctx, siteID, logbook.PlanDocument)
	if err != nil {
		return nil, err
	}
	out := make([][]byte, len(stored))
	for i, c := range stored {
		out[i] = c.Bytes
	}
	return out, nil
}

// history draws a site's log day by day.
type history struct {
	plan *logbook.Plan
	loc  *time.Location
	rand *rand.Rand

	looks    []*logbook.Check
	earlier  []logbook.EntryID // ticks that may be voided or replaced
	handover logbook.EntryID
	fault    logbook.EntryID

	day []logbook.Entry
	raw [][]byte
}

// drawn is the log of so many entries that end on the last morning, each as its canonical bytes, in the order in
// which things were done; and more entries of the days after.
func drawn(plan *logbook.Plan, entries, more int) (log, after [][]byte, err error) {
	h := &history{plan: plan, loc: plan.Site.Location, rand: rand.New(rand.NewPCG(uint64(entries), 60))}
	for _, id := range plan.CheckIDs {
		if c := plan.Checks[id]; c.Kind == logbook.LookCheck {
			h.looks = append(h.looks, c)
		}
	}
	before, later := (entries+perDay-1)/perDay, (more+perDay-1)/perDay
	for d := -before; d < later; d++ {
		h.write(time.Date(last.Year(), last.Month(), last.Day()+d, 0, 0, 0, 0, h.loc))
		for _, e := range h.day {
			raw, err := e.Encode()
			if err != nil {
				return nil, nil, fmt.Errorf("drawing an entry of kind %s: %w", e.Kind, err)
			}
			h.raw = append(h.raw, raw)
		}
	}
	cut := before * perDay
	return h.raw[cut-entries : cut], h.raw[cut:][:more], nil
}

// write draws a day: what the plan wants of it, filled up with what else people record.
func (h *history) write(day time.Time) {
	h.day = h.day[:0]
	var todo []*logbook.Check
	for _, id := range h.plan.CheckIDs {
		c := h.plan.Checks[id]
		for range h.times(c, day) {
			todo = append(todo, c)
		}
	}
	if len(todo) > perDay-8 {
		todo = todo[:perDay-8]
	}
	// From five in the morning on, 18 minutes apart: all are over before midnight.
	at := time.Date(day.Year(), day.Month(), day.Day(), 5, 0, 0, 0, h.loc)
	for n := range perDay {
		h.now(at.Add(time.Duration(n)*18*time.Minute + time.Duration(h.rand.IntN(900))*time.Second))
		// What is still to do is spread over the day.
		if left := perDay - n; len(todo) > 0 && h.rand.IntN(left) < len(todo) {
			h.answer(todo[0])
			todo = todo[1:]
		} else {
			h.other()
		}
	}
}

// times is how often a check is done on a day; what counts from the last time is done on its day of the month.
func (h *history) times(c *logbook.Check, day time.Time) int {
	if len(c.Cadence) == 0 {
		return 0
	}
	p := c.Cadence[len(c.Cadence)-1]
	one := func(yes bool) int {
		if yes && h.rand.IntN(100) < 96 { // the rest is forgotten
			return 1
		}
		return 0
	}
	switch p.Every {
	case logbook.EveryMilking:
		return one(true) + one(true)
	case logbook.EveryDay:
		return one(true)
	case logbook.EveryWeek:
		return one(day.Weekday() == time.Monday)
	}
	on := 2
	if c.Gate == "w" {
		on = 16
	}
	return one(day.Day() == on && (int(day.Month())-1)%max(p.N, 1) == 0)
}

// now begins an entry done at an instant, recorded within a minute.
func (h *history) now(at time.Time) {
	var random [10]byte
	for i := range random {
		random[i] = byte(h.rand.UintN(256))
	}
	n := h.rand.IntN(4)
	by, dev := []string{"p0a1b2c3d4", "p1a1b2c3d4", "p2a1b2c3d4", "p3a1b2c3d4"}[n], []string{"d0z8y7x6w5", "d1z8y7x6w5", "d2z8y7x6w5", "d3z8y7x6w5"}[n]
	recorded := at.Add(time.Duration(5+h.rand.IntN(50)) * time.Second)
	h.day = append(h.day, logbook.Entry{ID: logbook.NewEntryID(recorded.UnixMilli(), random), V: 1, At: at.UnixMilli(), By: by, Dev: dev})
}

func (h *history) here() *logbook.Entry { return &h.day[len(h.day)-1] }

// answer makes the entry at hand one that answers a check.
func (h *history) answer(c *logbook.Check) {
	e := h.here()
	e.Check = c.ID
	switch c.Kind {
	case logbook.VisitCheck: // a visit at the gate was closed
		e.Check, e.Part = "", ""
		e.Kind, e.Gate, e.Visit, e.State = logbook.Visit, c.Gate, "v"+strconv.FormatInt(e.At, 36), "closed"
	case logbook.NumberCheck:
		e.Kind = logbook.Reading
		h.measure(e, c)
	case logbook.ModeCheck:
		e.Kind, e.Gate, e.Mode = logbook.ModeSeen, c.Gate, "automatic"
	case logbook.CountCheck:
		e.Kind, e.Gate, e.Hits, e.Trials = logbook.Tally, c.Gate, int64(8+h.rand.IntN(3)), 10
	case logbook.IndicatorCheck:
		e.Kind, e.Gate, e.Indicator, e.State = logbook.Indication, c.Gate, "lamp", "on"
	default:
		e.Kind = logbook.Tick
		if h.rand.IntN(200) == 0 {
			e.Bad, e.Text = true, "Worn, a new one is ordered."
		}
		h.earlier = append(h.earlier, e.ID)
		if len(h.earlier) > 20 {
			h.earlier = h.earlier[1:]
		}
	}
}

// measure draws a reading that is within its limits most of the time.
func (h *history) measure(e *logbook.Entry, c *logbook.Check) {
	e.HasValue, e.Unit = true, "bar"
	low, high := num.Micro(0), num.Micro(100_000_000)
	if len(c.Limits) > 0 {
		l := c.Limits[len(c.Limits)-1]
		e.Unit = l.Unit
		switch {
		case l.HasLow && l.HasHigh:
			low, high = l.Low, l.High
		case l.HasLow:
			low, high = l.Low, l.Low+3_000_000
		case l.HasHigh:
			low, high = l.High/4, l.High
		}
	}
	// In hundredths, from a little below the low limit to a little above the high one.
	span := int64(high-low) / 10_000
	e.Value = (low/10_000 + num.Micro(h.rand.Int64N(max(span, 1)*21/20+1)) - num.Micro(span/40)) * 10_000
}

// other makes the entry at hand something that no plan asked for.
func (h *history) other() {
	e := h.here()
	gate := []string{"e", "w"}[h.rand.IntN(2)]
	switch n := h.rand.IntN(100); {
	case n < 50:
		h.answer(h.looks[h.rand.IntN(len(h.looks))])
	case n < 62:
		e.Kind, e.Gate, e.Text = logbook.Note, gate, "Leaf a little slow on the way back, watch it."
	case n < 70:
		e.Kind, e.ToMilking, e.Text = logbook.Handover, "am", "Two heifers hesitate at the east race, give them time."
		h.handover = e.ID
	case n < 76 && h.handover != "":
		e.Kind, e.Of = logbook.Seen, h.handover
	case n < 80:
		e.Kind, e.Gate, e.Mode = logbook.ModeSeen, gate, []string{"automatic", "manual"}[h.rand.IntN(2)]
	case n < 84:
		e.Kind, e.Gate, e.Steps = logbook.Isolate, gate, []string{"isolate", "lock", "vent", "try", "pin"}
	case n < 87:
		e.Kind, e.Event = logbook.Event, "wash-down"
	case n < 90 && len(h.earlier) > 0:
		e.Kind, e.Of, e.Why = logbook.Void, h.earlier[0], "Wrong gate."
		h.earlier = h.earlier[1:]
	case n < 93 && len(h.earlier) > 0:
		h.answer(h.looks[h.rand.IntN(len(h.looks))])
		e.Replaces = h.earlier[0]
		h.earlier = h.earlier[1:]
	case n < 95 && h.fault == "":
		e.Kind, e.Gate, e.Seen = logbook.Fault, gate, "leaf-stiff"
		h.fault = e.ID
	case n < 98 && h.fault != "":
		e.Kind, e.Of, e.Text = logbook.Fixed, h.fault, "Bush renewed."
		h.fault = ""
	default:
		e.Kind, e.Device, e.Offset = logbook.Clock, e.Dev, int64(h.rand.IntN(4000)-2000)
	}
}

// late is an entry done and recorded at an instant that has many others around it.
func (h *history) late(at time.Time) ([]byte, error) {
	h.day = h.day[:0]
	h.now(at)
	h.answer(h.plan.Checks[h.plan.CheckIDs[h.rand.IntN(len(h.plan.CheckIDs))]])
	return h.here().Encode()
}
