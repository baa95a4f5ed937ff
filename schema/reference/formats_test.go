package reference

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"gatewright/schema/logbook"
	"gatewright/schema/zones"
)

// dashed writes the compact time of a recurrence (19970902T090000) as due.next does.
func dashed(s string) string {
	return s[:4] + "-" + s[4:6] + "-" + s[6:11] + ":" + s[11:13] + ":" + s[13:15]
}

func init() {
	for _, id := range []string{"rrule-01", "rrule-03", "rrule-05", "rrule-07", "rrule-09", "rrule-11"} {
		checks[id] = recurrence
	}
	checks["tz-transitions-2026"] = func(t *testing.T, c published) []row {
		var in []struct{ Zone, At string }
		var want []struct {
			Before int `json:"offset_before_min"`
			After  int `json:"offset_after_min"`
		}
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, x := range in {
			at, err := time.Parse("2006-01-02T15:04Z", x.At)
			if err != nil {
				t.Fatal(err)
			}
			rows = append(rows, same(x.Zone+" before "+x.At, want[i].Before, offset(t, x.Zone, at.Add(-time.Second))), same(x.Zone+" from "+x.At, want[i].After, offset(t, x.Zone, at)))
		}
		return rows
	}
	checks["tz-no-dst"] = func(t *testing.T, c published) []row {
		var in struct {
			Zones []string
			Year  int
		}
		var want struct {
			Offset []int `json:"offset_min"`
		}
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, z := range in.Zones {
			changes := 0
			at := time.Date(in.Year, 1, 1, 0, 0, 0, 0, time.UTC)
			last := offset(t, z, at)
			for ; at.Year() == in.Year; at = at.Add(time.Hour) {
				if o := offset(t, z, at); o != last {
					changes, last = changes+1, o
				}
			}
			rows = append(rows, same(z, want.Offset[i], last), same(z+", transitions", 0, changes))
		}
		return rows
	}
	checks["tz-2026-rule-changes"] = func(t *testing.T, c published) []row {
		var in struct {
			Local string
			Zones []string
		}
		var want struct {
			Offset []float64 `json:"offset_min_2026c"`
		}
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, z := range in.Zones {
			a := ask(t, "due.next", map[string]any{"start": in.Local + ":00", "zone": z, "rule": "FREQ=DAILY", "count": 1})
			list, _ := a["instants"].([]any)
			at, err := time.Parse(time.RFC3339, fmt.Sprint(list[0]))
			if err != nil {
				t.Fatal(err)
			}
			_, seconds := at.Zone()
			rows = append(rows, same(z+" in December 2026, by tz "+zones.Version(), int(want.Offset[i]), seconds/60), same(z+", version told", zones.Version(), a["tz_version"]))
		}
		return rows
	}
	checks["eid-code-fields"] = func(t *testing.T, c published) []row {
		var want struct {
			Most    int64 `json:"max_national"`
			Country int   `json:"country_max"`
		}
		c.want(t, &want)
		var rows []row
		most := ask(t, "tag.check", map[string]any{"code": fmt.Sprintf("372%012d", want.Most)})
		over := ask(t, "tag.check", map[string]any{"code": fmt.Sprintf("372%012d", want.Most+1)})
		rows = append(rows, same("greatest national code", true, most["valid"]), same("one more", false, over["valid"]), near("national", float64(want.Most), most.num("national"), 0))
		// Every field of the layout moves its own answer: bit n of the telegram as sent, the first byte holding bits 64 to 57 reversed.
		for _, x := range []struct {
			what, telegram, field string
			want                  any
		}{
			{"animal flag", "966d8000039f0001", "animal", true},
			{"no animal", "966d8000039f0000", "animal", false},
		} {
			a := ask(t, "tag.check", map[string]any{"telegram": x.telegram})
			rows = append(rows, same(x.what, x.want, a[x.field]))
		}
		return rows
	}
	checks["eid-telegram-999-animal"] = func(t *testing.T, c published) []row {
		var in struct {
			Country, National float64
			Animal            bool
		}
		var want struct {
			Wire string `json:"wire_order_bytes_hex"`
			CRC  string
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "tag.check", map[string]any{"telegram": want.Wire})
		return []row{
			near("country", in.Country, a.num("country"), 0), near("national", in.National, a.num("national"), 0), same("animal", in.Animal, a["animal"]),
			same("CRC", strings.ToLower(strings.TrimPrefix(want.CRC, "0x")), strings.ToLower(strings.TrimPrefix(fmt.Sprint(a["crc"]), "0x"))),
		}
	}
	checks["jcs-rfc8785"] = func(t *testing.T, c published) []row {
		var in, want map[string]string
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for _, name := range []string{"arrays", "french", "structures", "unicode", "values", "weird"} {
			a := ask(t, "record.canonical", map[string]any{"value": json.RawMessage(in[name])})
			rows = append(rows, same(name, want[name], a["canonical"]))
		}
		return rows
	}
	checks["ulid-spec"] = func(t *testing.T, c published) []row {
		var in struct{ ULIDs, Monotonic []string }
		var want struct {
			Times []*int64 `json:"timestamp_ms"`
			Time  int64    `json:"time_prefix_ms"`
		}
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, id := range in.ULIDs {
			ms := int64(-1)
			if want.Times[i] != nil {
				ms = *want.Times[i]
			}
			rows = append(rows, same(id, ms, logbook.EntryID(id).Time()))
		}
		for _, id := range in.Monotonic {
			rows = append(rows, same(id, want.Time, logbook.EntryID(id).Time()))
		}
		return append(rows, same("in order", true, in.Monotonic[0] < in.Monotonic[1]))
	}
}

var locations = map[string]*time.Location{}

func location(t *testing.T, zone string) *time.Location {
	t.Helper()
	if loc := locations[zone]; loc != nil {
		return loc
	}
	table, err := zones.Table(zone)
	if err != nil {
		t.Fatal(err)
	}
	loc, err := time.LoadLocationFromTZData(zone, table)
	if err != nil {
		t.Fatal(err)
	}
	locations[zone] = loc
	return loc
}

func offset(t *testing.T, zone string, at time.Time) int {
	t.Helper()
	_, seconds := at.In(location(t, zone)).Zone()
	return seconds / 60
}

func recurrence(t *testing.T, c published) []row {
	var in struct{ DTSTART, RRULE string }
	var want struct{ Instances []string }
	c.in(t, &in)
	c.want(t, &want)
	// One more is asked for than there are, to see that the rule ends where it does.
	a := ask(t, "due.next", map[string]any{"start": dashed(in.DTSTART), "zone": "America/New_York", "rule": in.RRULE, "count": len(want.Instances) + 1})
	list, _ := a["local"].([]any)
	rows := []row{same("how many", len(want.Instances), len(list))}
	for i, w := range want.Instances {
		if i < len(list) {
			rows = append(rows, same(fmt.Sprintf("[%d]", i), dashed(w), list[i]))
		}
	}
	return rows
}
