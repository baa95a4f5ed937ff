package demo

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"gatewright/schema/logbook"
	"gatewright/schema/num"
)

// days of history before the day of seeding, which itself is left to whoever opens the demo.
const days = 42

// who is a person of the demo with the device that their history was recorded on.
type who struct{ person, device string }

// history draws the log of the six weeks before now.
type history struct {
	loc     *time.Location
	now     time.Time
	rand    *rand.Rand
	crew    []who
	manager who
	trade   who // the contractor
	entries []logbook.Entry
}

// write draws everything, oldest recording first, as raw entries.
func (h *history) write() ([][]byte, error) {
	today := h.now.In(h.loc)
	for back := days; back >= 1; back-- {
		h.day(time.Date(today.Year(), today.Month(), today.Day()-back, 0, 0, 0, 0, h.loc), back)
	}
	// Of today only the rounds before the milkings are there: the rest waits for whoever opens the demo.
	for shift, hour := range []int{5, 15} {
		h.round(time.Date(today.Year(), today.Month(), today.Day(), 0, 0, 0, 0, h.loc), 0, shift, hour)
	}
	if today.Hour() >= 20 {
		h.daily(today, 0) // past its hour, what is daily would all be overdue at once
	}
	slices.SortFunc(h.entries, func(a, b logbook.Entry) int { return strings.Compare(string(a.ID), string(b.ID)) })
	out := make([][]byte, 0, len(h.entries))
	for _, e := range h.entries {
		raw, err := e.Encode()
		if err != nil {
			return nil, fmt.Errorf("entry %s of kind %s: %w", e.ID, e.Kind, err)
		}
		out = append(out, raw)
	}
	return out, nil
}

// put records something done at an instant, usually within a minute, now and then hours later in one go.
func (h *history) put(w who, at time.Time, e logbook.Entry) logbook.EntryID {
	delay := time.Duration(5+h.rand.IntN(50)) * time.Second
	if h.rand.IntN(14) == 0 {
		delay += time.Duration(1+h.rand.IntN(4)) * time.Hour
	}
	recorded := at.Add(delay)
	var r [10]byte
	for i := range r {
		r[i] = byte(h.rand.IntN(256))
	}
	e.ID, e.V, e.At, e.By, e.Dev = logbook.NewEntryID(recorded.UnixMilli(), r), 1, at.UnixMilli(), w.person, w.device
	if recorded.Before(h.now) {
		h.entries = append(h.entries, e)
	}
	return e.ID
}

func (h *history) tick(w who, at time.Time, check string) {
	h.put(w, at, logbook.Entry{Kind: logbook.Tick, Check: check})
}

// read records a reading of hundredths (520 is 5.20).
func (h *history) read(w who, at time.Time, check, unit string, hundredths int) {
	h.put(w, at, logbook.Entry{Kind: logbook.Reading, Check: check, HasValue: true,
		Value: num.Micro(int64(hundredths) * 10_000), Unit: unit})
}

// happens draws whether something with so many chances in a hundred is done.
func (h *history) happens(percent int) bool { return h.rand.IntN(100) < percent }

func (h *history) someone(back, shift int) who { return h.crew[(back+shift)%len(h.crew)] }

func at(day time.Time, hour, minute int) time.Time {
	return time.Date(day.Year(), day.Month(), day.Day(), hour, minute, 0, 0, day.Location())
}

func (h *history) day(day time.Time, back int) {
	for shift, hour := range []int{5, 15} {
		h.round(day, back, shift, hour)
	}
	h.daily(day, back)
	if day.Weekday() == time.Monday {
		h.weekly(day, back)
	}
	h.greasing(day, back)
	switch back {
	case 40:
		h.seldom(day)
	case 36, 9:
		h.monthly(day, back)
	}
	h.events(day, back)
}

// round is what is looked at before each milking, at both gates.
func (h *history) round(day time.Time, back, shift, hour int) {
	w := h.someone(back, shift)
	for i, gate := range []string{"e", "w"} {
		if h.parked(gate, back) || !h.happens(95) {
			continue
		}
		t := at(day, hour, 8+i*6+h.rand.IntN(4))
		h.put(w, t, logbook.Entry{Kind: logbook.ModeSeen, Gate: gate, Mode: "automatic", Check: gate + "04"})
		for n, check := range []string{"05", "06", "07"} {
			h.tick(w, t.Add(time.Duration(20+25*n)*time.Second), gate+check)
		}
	}
}

// parked: the yard gate was out of service for two days of repair.
func (h *history) parked(gate string, back int) bool {
	return gate == "w" && (back == 20 || back == 19)
}

func (h *history) daily(day time.Time, back int) {
	w := h.someone(back, 1)
	t := at(day, 8, 40+h.rand.IntN(15))
	for i, check := range []string{"e01", "e02", "e08", "e16", "w01", "w02", "w08"} {
		if h.parked(check[:1], back) || !h.happens(93) {
			continue
		}
		h.tick(w, t.Add(time.Duration(i*3)*time.Minute), check)
	}
	if h.happens(96) {
		h.read(w, t.Add(2*time.Minute), "e10", "bar", h.pressure(back))
	}
}

// pressure sinks slowly, sags below its limit in the third week, is mended on day 23 and begins to sink again.
func (h *history) pressure(back int) int {
	noise := h.rand.IntN(7) - 3
	switch {
	case back > 27:
		return 735 - (days-back)*3 + noise
	case back > 23:
		return 590 - (27-back)*9 + noise
	default:
		return 738 - (23-back)*4 + noise
	}
}

func (h *history) weekly(day time.Time, back int) {
	w := h.someone(back, 2)
	t := at(day, 10, 15)
	for i, check := range []string{"e03", "e13", "e29", "w03", "w29"} {
		if h.parked(check[:1], back) || !h.happens(92) {
			continue
		}
		h.tick(w, t.Add(time.Duration(i*4)*time.Minute), check)
	}
	// The east reader was knocked a little out of its angle: its rate slides from week to week.
	h.read(w, t.Add(25*time.Minute), "e09", "%", 9890-(days-back)*3+h.rand.IntN(10))
	if !h.parked("w", back) {
		h.read(w, t.Add(27*time.Minute), "w09", "%", 9905+h.rand.IntN(30))
	}
}

// greasing is from the last time; at the east race it has been forgotten for ten days.
func (h *history) greasing(day time.Time, back int) {
	w := h.someone(back, 0)
	if back%6 == 4 && back >= 10 {
		h.isolate(w, at(day, 9, 30), "e")
		h.tick(w, at(day, 9, 40), "e26")
	}
	if back%6 == 2 {
		h.isolate(w, at(day, 9, 50), "w")
		h.tick(w, at(day, 10, 0), "w26")
	}
	if back%6 == 1 {
		h.tick(w, at(day, 9, 20), "e15")
	}
}

func (h *history) isolate(w who, at time.Time, gate string) {
	h.put(w, at, logbook.Entry{Kind: logbook.Isolate, Gate: gate, Steps: []string{"isolate", "lock", "vent", "try", "pin"}})
}

// monthly is the longer walk: looks, and the slow measurements.
func (h *history) monthly(day time.Time, back int) {
	w := h.trade
	t := at(day, 11, 0)
	for i, check := range []string{"e17", "e20", "e21", "e23", "e24", "e25", "e27", "e28", "e31", "e33", "w25", "w27", "w28", "w31", "w33"} {
		h.tick(w, t.Add(time.Duration(i*4)*time.Minute), check)
	}
	later := t.Add(90 * time.Minute)
	h.read(w, later, "e11", "bar", 38+(36-back)/3)
	h.read(w, later.Add(12*time.Minute), "e12", "bar", 28+(36-back)/2)
	h.read(w, later.Add(24*time.Minute), "e19", "%", 3300+(36-back)*20)
	h.read(w, later.Add(34*time.Minute), "e22", "s", 60+(36-back)/3)
	for _, check := range []string{"e30", "w30"} {
		h.put(w, later.Add(40*time.Minute), logbook.Entry{Kind: logbook.Tally, Gate: check[:1], Check: check, Hits: 10, Trials: 10})
	}
}

func (h *history) seldom(day time.Time) {
	t := at(day, 13, 0)
	for i, check := range []string{"e14", "e18", "e32", "e34", "w32", "w34"} {
		h.tick(h.trade, t.Add(time.Duration(i*10)*time.Minute), check)
	}
	h.read(h.trade, t.Add(70*time.Minute), "e35", "C", -2200)
}

// events are the days on which something went wrong, and was put right.
func (h *history) events(day time.Time, back int) {
	switch back {
	case 31:
		h.put(h.someone(back, 0), at(day, 9, 10), logbook.Entry{Kind: logbook.ModeSeen, Gate: "w", Mode: "manual"})
		h.put(h.someone(back, 1), at(day, 14, 55), logbook.Entry{Kind: logbook.ModeSeen, Gate: "w", Mode: "automatic"})
		h.put(h.manager, at(day, 15, 5), logbook.Entry{Kind: logbook.Note, Gate: "w", Text: "Cows went straight after breakfast: the switch was left over."})
	case 23:
		h.put(h.trade, at(day, 10, 0), logbook.Entry{Kind: logbook.Visit, Visit: "v1", State: "opened", Purpose: "pressure-low"})
		h.isolate(h.trade, at(day, 10, 10), "e")
		h.put(h.trade, at(day, 10, 40), logbook.Entry{Kind: logbook.Fitting, Visit: "v1", Gate: "e", Part: "e-an", Item: "filter element", Finding: "blocked with rust"})
		h.read(h.trade, at(day, 11, 5), "e10", "bar", 738)
		h.put(h.trade, at(day, 11, 20), logbook.Entry{Kind: logbook.Visit, Visit: "v1", State: "closed"})
	case 20:
		fault := h.put(h.someone(back, 1), at(day, 5, 40), logbook.Entry{Kind: logbook.Fault, Gate: "w", Part: "w-ac", Seen: "leaf-stiff", Stops: true})
		h.put(h.manager, at(day, 6, 5), logbook.Entry{Kind: logbook.Park, Gate: "w", Out: true, Text: "Leaf pinned open, sorted by hand."})
		next := day.AddDate(0, 0, 2)
		h.put(h.trade, at(next, 8, 50), logbook.Entry{Kind: logbook.Fixed, Of: fault, Text: "Bush renewed."})
		h.put(h.manager, at(next, 9, 0), logbook.Entry{Kind: logbook.Park, Gate: "w", Out: false})
	case 3:
		h.put(h.someone(back, 1), at(day, 16, 20), logbook.Entry{Kind: logbook.Fault, Gate: "w", Part: "w-af", Seen: "beam-flickers"})
	case 1:
		h.put(h.someone(back, 1), at(day, 18, 40), logbook.Entry{Kind: logbook.Handover, ToMilking: "am", Text: "Two heifers hesitate at the east race, give them time."})
	}
}
