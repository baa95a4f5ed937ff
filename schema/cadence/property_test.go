package cadence

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"gatewright/schema/num"
)

var zones = []string{
	"UTC", "Europe/Dublin", "Europe/Amsterdam", "America/Chicago", "America/Sao_Paulo", "America/St_Johns",
	"Pacific/Auckland", "Pacific/Chatham", "Pacific/Apia", "Australia/Lord_Howe", "Asia/Beirut", "Asia/Kolkata",
}

func drawRule(t *rapid.T) Rule {
	r := Rule{
		Every:  Every(rapid.IntRange(1, 4).Draw(t, "every")),
		N:      rapid.IntRange(1, 5).Draw(t, "n"),
		By:     rapid.IntRange(0, 1440).Draw(t, "by"),
		Anchor: drawInstant(t, "anchor"),
	}
	switch r.Every {
	case EveryMilking:
		r.N = 1
		for range rapid.IntRange(1, 4).Draw(t, "milkings") {
			r.Milkings = append(r.Milkings, Milking{rapid.IntRange(0, 1439).Draw(t, "start"), rapid.IntRange(0, 1440).Draw(t, "end")})
		}
	case EveryWeek:
		r.On = rapid.IntRange(0, 7).Draw(t, "on")
	case EveryMonth:
		r.On = rapid.IntRange(0, 31).Draw(t, "on")
	}
	return r
}

// drawInstant prefers the nights of transitions.
func drawInstant(t *rapid.T, name string) int64 {
	if rapid.Bool().Draw(t, name+" at a transition") {
		tr := rapid.SampledFrom(transitions2026).Draw(t, name)
		return utcOf(tr.at) + rapid.Int64Range(-26*60, 26*60).Draw(t, name+" minutes")*minuteMs + rapid.Int64Range(-1, 1).Draw(t, name+" ms")
	}
	return rapid.Int64Range(946684800000, 4102444799999).Draw(t, name)
}

func utcOf(s string) int64 {
	x, _ := time.Parse("2006-01-02T15:04Z", s)
	return x.UnixMilli()
}

// Windows tile time: Prev(t) <= t < Next(t), and what lies between has the
// same window.
func TestTiling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, at := drawRule(t), drawInstant(t, "t")
		loc, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		s := r.Series(loc)
		s.Next(drawInstant(t, "asked before"))
		p, n := s.Prev(at), s.Next(at)
		if p > at || n <= at {
			t.Fatalf("Prev %s, Next %s of %s", show(p), show(n), show(at))
		}
		between := rapid.Int64Range(p, n-1).Draw(t, "between")
		if r.Prev(loc, between) != p || r.Next(loc, between) != n {
			t.Fatalf("%s has window %s to %s, %s has %s to %s", show(at), show(p), show(n),
				show(between), show(r.Prev(loc, between)), show(r.Next(loc, between)))
		}
		if r.Next(loc, p-1) != p || r.Prev(loc, n) != n {
			t.Fatalf("Next(%s-1) = %s, Prev(%s) = %s", show(p), show(r.Next(loc, p-1)), show(n), show(r.Prev(loc, n)))
		}
		if d, e := DayStart(loc, at), NextDay(loc, at); d > at || e <= at || NextDay(loc, d) != e || DayStart(loc, e-1) != d {
			t.Fatalf("day of %s: %s to %s", show(at), show(d), show(e))
		}
		if a := r.Add(loc, at); a <= at {
			t.Fatalf("Add(%s) = %s", show(at), show(a))
		}
	})
}

// The first instant at which clocks show a local time or later, found by
// walking through the minutes.
func TestInstantIsTheFirst(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		loc, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		local := num.FloorDiv(drawInstant(t, "local"), minuteMs) * minuteMs
		c := clock{loc: loc}
		c.look(drawInstant(t, "looked at before"))
		got := c.instant(local)
		for at := local - 26*60*minuteMs; ; at += minuteMs {
			if clock := time.UnixMilli(at).In(loc); clock.UnixMilli()+offset(loc, at) >= local {
				if got != at || Instant(loc, local) != at {
					t.Fatalf("%s local: got %s, want %s", show(local), show(got), show(at))
				}
				return
			}
		}
	})
}
