package rules

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"gatewright/schema/logbook"
)

// A phone that keeps what closed months said, and reads only the others, says
// what the server says: with a yearly cadence, a fault of long ago, and late
// entries in a closed month.
func TestClosedMonths(t *testing.T) {
	at := func(s string) int64 {
		x, err := time.Parse("2006-01-02T15:04Z", s)
		if err != nil {
			t.Fatal(err)
		}
		return x.UnixMilli()
	}
	plan := planJSON(t, "Europe/Dublin", map[string]any{
		"gates": map[string]any{"east": map[string]any{}},
		"checks": map[string]any{
			"valve": map[string]any{"gate": "east", "kind": "look", "cadence": []any{map[string]any{"from": 0, "every": "month", "n": 12, "mode": "last", "grace": 1440}}},
			"wipe":  map[string]any{"gate": "east", "kind": "look", "cadence": []any{map[string]any{"from": at("2025-01-01T00:00Z"), "every": "week"}}},
			"air":   map[string]any{"gate": "east", "kind": "number", "limits": []any{map[string]any{"from": 0, "unit": "bar", "low": 6, "high": 8}}},
		},
	})
	n := byte(0)
	made := func(when string, fields map[string]any) *logbook.Entry {
		n++
		fields["id"] = string(logbook.NewEntryID(at(when), [10]byte{9: n}))
		if fields["at"] == nil {
			fields["at"] = at(when)
		}
		return entry(t, fields)
	}
	tick := func(when, check string) *logbook.Entry {
		return made(when, map[string]any{"kind": "tick", "check": check})
	}
	valve := tick("2025-03-10T09:00Z", "valve")
	entries := []*logbook.Entry{
		valve,
		made("2025-05-02T07:00Z", map[string]any{"kind": "fault", "gate": "east", "seen": "stiff"}),
		made("2025-11-30T23:59Z", map[string]any{"kind": "reading", "check": "air", "value": 5.5, "unit": "bar"}),
		made("2025-12-01T00:00Z", map[string]any{"kind": "take", "flag": "limit/air"}),
		tick("2026-01-20T07:00Z", "wipe"),
		tick("2026-03-04T07:00Z", "wipe"),
	}
	late := []*logbook.Entry{
		made("2025-05-03T07:00Z", map[string]any{"kind": "reading", "check": "air", "value": 9, "unit": "bar"}),
		made("2025-12-24T07:00Z", map[string]any{"kind": "void", "of": string(valve.ID)}),
		tick("2025-12-24T08:00Z", "valve"),
	}
	heads := func(e *Engine, docs ...string) {
		for _, d := range docs {
			e.SetHeads(d, []string{"a " + d})
		}
	}
	docs := []string{"plan", "log/2025-03", "log/2025-05", "log/2025-11", "log/2025-12", "log/2026-01", "log/2026-03"}
	nows := []string{"2025-12-01T00:00Z", "2026-03-05T12:00Z", "2026-03-11T09:00Z", "2026-04-02T00:00Z", "2027-02-01T00:00Z"}
	for _, month := range []string{"log/2025-03", "log/2025-12", "log/2026-01", "log/2026-03", "log/2026-04"} {
		for _, now := range nows {
			t.Run(fmt.Sprint(month[4:], " at ", now), func(t *testing.T) {
				server := New()
				server.SetPlan(parsePlan(t, plan), plan)
				heads(server, docs...)
				for _, x := range entries {
					server.Add(x)
				}
				server.Evaluate(at("2026-03-05T12:00Z"))
				phone, err := Load(server.SaveBefore(month))
				if err != nil {
					t.Fatal(err)
				}
				phone.SetPlan(parsePlan(t, plan), plan)
				for _, x := range entries {
					if closed := x.ID.Document() < month; closed == phone.Add(x) {
						t.Fatalf("%s of %s: closed %v", x.Kind, x.ID.Document(), closed)
					}
				}
				for _, d := range docs {
					if d >= month { // the plan among them
						heads(phone, d)
					}
				}
				same := func(what string) {
					t.Helper()
					got, want := phone.Evaluate(at(now)).AppendJSON(nil), server.Evaluate(at(now)).AppendJSON(nil)
					if !bytes.Equal(got, want) {
						t.Fatalf("%s:\n%s", what, difference(got, want))
					}
				}
				same("from what was kept")
				for _, x := range late {
					server.Add(x)
					phone.Add(x)
				}
				same("with late entries in closed months")
			})
		}
	}
}
