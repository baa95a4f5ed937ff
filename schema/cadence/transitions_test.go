package cadence

import (
	"encoding/json"
	"os"
	"slices"
	"testing"
	"time"

	"gatewright/schema/num"
	tables "gatewright/schema/zones"

	"pgregory.net/rapid"
)

// farms are zones of every habit that there is about changing clocks from 2020 on: at one instant all over Europe, at
// midnight, by thirty minutes and by two hours, for Ramadan, for good, and not at all.
var farms = []string{
	"Europe/Dublin", "Europe/London", "Europe/Lisbon", "Europe/Amsterdam", "Europe/Warsaw", "Europe/Helsinki", "Europe/Chisinau", "Europe/Istanbul",
	"Atlantic/Azores", "Africa/Casablanca", "Africa/Cairo", "Africa/Juba", "Asia/Jerusalem", "Asia/Beirut", "Asia/Gaza", "Asia/Tehran", "Asia/Amman", "Asia/Kolkata",
	"America/New_York", "America/Chicago", "America/Toronto", "America/St_Johns", "America/Edmonton", "America/Vancouver", "America/Havana",
	"America/Asuncion", "America/Santiago", "America/Mexico_City", "America/Sao_Paulo", "America/Nuuk", "America/Scoresbysund", "Antarctica/Troll",
	"Australia/Sydney", "Australia/Adelaide", "Australia/Lord_Howe", "Pacific/Auckland", "Pacific/Chatham", "Pacific/Easter", "Pacific/Norfolk", "Pacific/Fiji",
}

// ours is a zone by the table that sites get.
func ours(t *testing.T, name string) *time.Location {
	t.Helper()
	table, err := tables.Table(name)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	loc, err := time.LoadLocationFromTZData(name, table)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return loc
}

func ahead(loc *time.Location, at int64) int64 {
	_, s := time.UnixMilli(at).In(loc).Zone()
	return int64(s) * 1000
}

// transition is one change of a zone's clocks: what they add to UTC until at, and from at on.
type transition struct {
	zone          string
	loc           *time.Location
	at            int64
	before, after int64
	walked        map[int64]int64 // local time -> when it happens
}

// changes finds a zone's transitions from 2020 to 2037 by looking at its clocks every two hours and halving.
func changes(t *testing.T, name string) []transition {
	loc := ours(t, name)
	const step = 2 * 60 * minuteMs
	var list []transition
	end := utc(t, "2038-01-01T00:00Z")
	for at := utc(t, "2020-01-01T00:00Z"); at < end; at += step {
		if ahead(loc, at) == ahead(loc, at+step) {
			continue
		}
		low, high := at, at+step
		for high-low > 1 {
			if mid := (low + high) / 2; ahead(loc, mid) == ahead(loc, at) {
				low = mid
			} else {
				high = mid
			}
		}
		list = append(list, transition{name, loc, high, ahead(loc, low), ahead(loc, high), map[int64]int64{}})
	}
	for i := 1; i < len(list); i++ {
		if list[i].at-list[i-1].at < 20*dayMs {
			t.Fatalf("%s: two transitions within 20 days, which these tests do not look for", name)
		}
	}
	return list
}

func everyChange(t *testing.T) []transition {
	if len(farms) != 40 {
		t.Fatalf("%d zones, want 40", len(farms))
	}
	var all []transition
	for _, name := range farms {
		all = append(all, changes(t, name)...)
	}
	return all
}

// happens is when clocks first show a local time or later, found by walking through the minutes.
func (c *transition) happens(local int64) int64 {
	at, ok := c.walked[local]
	if !ok {
		for at = local - max(c.before, c.after) - minuteMs; at+ahead(c.loc, at) < local; {
			at += minuteMs
		}
		c.walked[local] = at
	}
	return at
}

// locals are the local times on a date at which the rule says that something falls due, reckoned from its words. The
// rule's anchor lies on the date anchor.
func locals(r Rule, anchor, date int64) []int64 {
	n := int64(max(r.N, 1))
	on := int64(r.On)
	day := func(d int64) time.Time { return time.UnixMilli(d * dayMs).UTC() }
	monday := func(d int64) int64 { return d - int64(day(d).Weekday()+6)%7 }
	switch r.Every {
	case EveryMilking:
		var list []int64
		for _, m := range r.Milkings {
			if at := date*dayMs + int64(m.End%1440)*minuteMs; !slices.Contains(list, at) {
				list = append(list, at)
			}
		}
		slices.Sort(list)
		return list
	case EveryDay:
		if (date-anchor)%n != 0 {
			return nil
		}
	case EveryWeek:
		if on == 0 {
			on = 7
		}
		if date-monday(date)+1 != on || (monday(date)-monday(anchor))/7%n != 0 {
			return nil
		}
	case EveryMonth:
		months := func(d int64) int64 { return int64(day(d).Year()*12) + int64(day(d).Month()) }
		last := day(date).AddDate(0, 1, -day(date).Day()).Day()
		if on == 0 {
			on = 31
		}
		if int64(day(date).Day()) != min(on, int64(last)) || (months(date)-months(anchor))%n != 0 {
			return nil
		}
	}
	return []int64{date*dayMs + int64(r.By)*minuteMs}
}

type failer interface {
	Helper()
	Fatalf(format string, args ...any)
}

// holds compares the rule's boundaries in the nine days around a transition, forwards and backwards, with those that
// its words ask for, each at the first instant at which clocks show its local time. It gives their number.
func (c *transition) holds(t failer, r Rule) int {
	t.Helper()
	anchor := time.UnixMilli(r.Anchor).In(c.loc)
	anchorDate := time.Date(anchor.Year(), anchor.Month(), anchor.Day(), 0, 0, 0, 0, time.UTC).UnixMilli() / dayMs
	date := num.FloorDiv(c.at, dayMs)
	low, high := (date-4)*dayMs, (date+5)*dayMs
	var want []int64
	for d := date - 8; d <= date+8; d++ {
		for _, local := range locals(r, anchorDate, d) {
			at := c.happens(local)
			if at < low || at >= high {
				continue
			}
			if len(want) > 0 && want[len(want)-1] == at {
				if r.Every != EveryMilking { // of which two may end in one gap
					t.Fatalf("%s %s: two dates share the boundary %s", c.zone, show(c.at), show(at))
				}
				continue
			}
			want = append(want, at)
		}
	}
	s := r.Series(c.loc)
	var got, back []int64
	for at := s.Next(low - 1); at < high; at = s.Next(at) {
		if got = append(got, at); len(got) > len(want)+9 {
			break
		}
	}
	if !slices.Equal(got, want) {
		t.Fatalf("%s %s, %+v:\n got %v\nwant %v", c.zone, show(c.at), r, shown(got), shown(want))
	}
	for at := s.Prev(high - 1); at >= low; at = s.Prev(at - 1) {
		if back = append(back, at); len(back) > len(want)+9 {
			break
		}
	}
	if slices.Reverse(back); !slices.Equal(back, want) {
		t.Fatalf("%s %s, %+v, backwards:\n got %v\nwant %v", c.zone, show(c.at), r, shown(back), shown(want))
	}
	return len(want)
}

func shown(list []int64) (out []string) {
	for _, at := range list {
		out = append(out, show(at))
	}
	return out
}

// Around every transition of 40 zones from 2020 to 2037, whatever falls due once a date, a week, a month or at the end
// of each milking does so exactly once for each: none is lost in the gap, none doubled in the stretch that comes twice.
func TestNoBoundaryIsLostOrDoubled(t *testing.T) {
	all := everyChange(t)
	forward, back := 0, 0
	for _, c := range all {
		if c.after > c.before {
			forward++
		} else {
			back++
		}
		// Local times in and around the stretch that is skipped or comes twice, and some of the rest of the day.
		edges := []int64{c.at + c.before, c.at + c.after}
		var bys []int
		for _, e := range edges {
			for _, beside := range []int64{-60, -15, -1, 0, 1, 15, 60} {
				bys = append(bys, int(num.FloorMod(num.FloorDiv(e, minuteMs)+beside, 1440)))
			}
		}
		bys = append(bys, 0, 330, 720, 1439, 1440)
		slices.Sort(bys)
		for _, by := range slices.Compact(bys) {
			if n := c.holds(t, Rule{Every: EveryDay, By: by}); n < 8 || n > 10 {
				t.Fatalf("%s %s: %d daily boundaries in nine days", c.zone, show(c.at), n)
			}
			local := time.UnixMilli(c.at + c.before).UTC()
			c.holds(t, Rule{Every: EveryDay, N: 2, By: by, Anchor: c.at - 30*dayMs})
			c.holds(t, Rule{Every: EveryWeek, By: by, On: (int(local.Weekday())+6)%7 + 1})
			c.holds(t, Rule{Every: EveryMonth, By: by, On: local.Day()})
			c.holds(t, Rule{Every: EveryMilking, Milkings: []Milking{{by, by + 15}, {720, 900}, {by, by}, {1200, 1440}}})
		}
	}
	t.Logf("%d transitions forwards, %d back", forward, back)
	if forward < 300 || back < 300 {
		t.Errorf("only %d transitions forwards and %d back were found", forward, back)
	}
}

// The same for rules at random.
func TestNoBoundaryIsLostOrDoubledAtRandom(t *testing.T) {
	all := everyChange(t)
	rapid.Check(t, func(rt *rapid.T) {
		c := rapid.SampledFrom(all).Draw(rt, "transition")
		r := drawRule(rt)
		r.Anchor = c.at + rapid.Int64Range(-800, 800).Draw(rt, "days to the anchor")*dayMs + rapid.Int64Range(0, 1439).Draw(rt, "minutes")*minuteMs
		// The date of an anchor that lies in a doubled hour over midnight is another question.
		if a := DayStart(c.loc, r.Anchor); ahead(c.loc, a) != ahead(c.loc, r.Anchor) {
			r.Anchor = c.at - 30*dayMs
		}
		c.holds(rt, r)
	})
}

// Local dates tile time across every transition: each begins once, right after the one before it.
func TestDatesAcrossTransitions(t *testing.T) {
	for _, c := range everyChange(t) {
		date := num.FloorDiv(c.at, dayMs)
		for d := date - 3; d <= date+3; d++ {
			start, next := c.happens(d*dayMs), c.happens((d+1)*dayMs)
			for _, at := range []int64{start, (start + next) / 2, next - 1} {
				if s, n := DayStart(c.loc, at), NextDay(c.loc, at); s != start || n != next {
					t.Fatalf("%s: the day of %s is %s to %s, want %s to %s", c.zone, show(at), show(s), show(n), show(start), show(next))
				}
			}
		}
	}
}

// The reference cases in testdata/timezones.json, which name their source, by the tables that sites get.
func TestReferenceZones(t *testing.T) {
	b, err := os.ReadFile("testdata/timezones.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		ID              string
		Input, Expected json.RawMessage
	}
	if err := json.Unmarshal(b, &cases); err != nil {
		t.Fatal(err)
	}
	read := func(raw json.RawMessage, into any) {
		t.Helper()
		if err := json.Unmarshal(raw, into); err != nil {
			t.Fatal(err)
		}
	}
	tried := 0
	for _, c := range cases {
		switch c.ID {
		case "tz-transitions-2026":
			var in []struct{ Zone, At string }
			var want []struct {
				Before int64 `json:"offset_before_min"`
				After  int64 `json:"offset_after_min"`
			}
			read(c.Input, &in)
			read(c.Expected, &want)
			for i, x := range in {
				at := utc(t, x.At)
				if !slices.ContainsFunc(changes(t, x.Zone), func(c transition) bool {
					return c.at == at && c.before == want[i].Before*minuteMs && c.after == want[i].After*minuteMs
				}) {
					t.Errorf("%s: no transition at %s", x.Zone, x.At)
				}
				tried++
			}
		case "tz-no-dst":
			var in struct{ Zones []string }
			var want struct {
				Offset []int64 `json:"offset_min"`
			}
			read(c.Input, &in)
			read(c.Expected, &want)
			for i, name := range in.Zones {
				if n := len(changes(t, name)); n != 0 || ahead(ours(t, name), utc(t, "2026-07-01T00:00Z")) != want.Offset[i]*minuteMs {
					t.Errorf("%s: %d transitions", name, n)
				}
				tried++
			}
		case "tz-2026-rule-changes":
			var in struct {
				Local string
				Zones []string
			}
			var want struct {
				Offset []float64 `json:"offset_min_2026c"`
			}
			read(c.Input, &in)
			read(c.Expected, &want)
			local := utc(t, in.Local+"Z")
			for i, name := range in.Zones {
				offset := int64(want.Offset[i]) * minuteMs
				r := Rule{Every: EveryDay, By: int(num.FloorMod(local, dayMs) / minuteMs)}
				if got := r.Next(ours(t, name), local-offset-1); got != local-offset {
					t.Errorf("%s: %s local is %s, want %s", name, in.Local, show(got), show(local-offset))
				}
				tried++
			}
		default:
			t.Errorf("nothing tries the case %s", c.ID)
		}
	}
	if tried != 19 {
		t.Errorf("%d of 19 were tried", tried)
	}
}

// Where a step from the last time leads beyond the years that there are.
func TestAddAtTheEnd(t *testing.T) {
	near := int64(lastMs) - 5*dayMs
	for _, r := range []Rule{{Every: EveryDay, N: 9}, {Every: EveryWeek, N: 2}, {Every: EveryMonth, N: 1}} {
		if got := r.Add(time.UTC, near); got != Never {
			t.Errorf("%+v: %d", r, got)
		}
		if got := r.Add(time.UTC, near-60*dayMs); got == Never || got <= near-60*dayMs {
			t.Errorf("%+v: %d", r, got)
		}
	}
}
