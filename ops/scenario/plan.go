package scenario

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gatewright/schema/canon"
	"gatewright/schema/logbook"
	"gatewright/schema/zones"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// Yard is the plan of a story that brings none: one air-driven gate and four
// checks, all in use since the instant that stands for SINCE.
const Yard = `{
 "site": {"name": "Yard", "manual_after": 30, "milkings": [{"milkings": [
   {"id": "am", "name": "Morning", "start": "05:30", "end": "08:00"},
   {"id": "pm", "name": "Evening", "start": "16:00", "end": "18:30"}]}]},
 "gates": {"east": {"name": "East gate", "drive": "air", "since": "SINCE"}},
 "parts": {"eye": {"gate": "east", "type": "receiver", "name": "Second eye", "since": "SINCE"}},
 "checks": {
   "wipe": {"gate": "east", "part": "eye", "name": "Wipe the lenses", "kind": "look", "minutes": 1, "since": "SINCE",
     "cadence": [{"every": "milking", "n": 1, "mode": "fixed", "grace": 60}]},
   "air": {"gate": "east", "name": "Air pressure", "kind": "number", "minutes": 0.5, "recheck": 60, "since": "SINCE",
     "cadence": [{"every": "day", "n": 1, "mode": "fixed", "grace": 120, "by": "20:00"}],
     "limits": [{"unit": "bar", "low": 6, "high": 8, "agree": 0.5, "within": 30}]},
   "grease": {"gate": "east", "name": "Grease the hinges", "kind": "look", "minutes": 5, "since": "SINCE",
     "cadence": [{"every": "week", "n": 1, "mode": "last", "grace": 1440}]},
   "mode": {"gate": "east", "name": "Back to automatic", "kind": "mode", "minutes": 0.1, "since": "SINCE"}},
 "rounds": {"before": {"name": "Before milking", "milking": "am", "checks": ["wipe", "air", "mode"], "since": "SINCE"}}
}`

// PlanItems reads a plan written as JSON. Facts that must agree stand in it as
// lists and are packed; instants are RFC 3339; a period without from has been
// in force since ever. The zone's table is the server's own.
func PlanItems(zone, plan string) ([]hub.PlanItem, error) {
	v, err := canon.Parse([]byte(plan))
	if err != nil {
		return nil, fmt.Errorf("reading the plan: %w", err)
	}
	table, err := zones.Table(zone)
	if err != nil {
		return nil, fmt.Errorf("reading the plan: %w", err)
	}
	var items []hub.PlanItem
	for i, collection := range v.Keys {
		if collection == logbook.SiteCollection {
			fields, err := planFields(v.Vals[i])
			if err != nil {
				return nil, fmt.Errorf("reading the plan: site: %w", err)
			}
			fields["id"], fields["zone"] = change.String(siteID), change.String(zone)
			fields["tz"], fields["tzv"] = change.Bytes(table), change.String(zones.Version())
			items = append(items, hub.PlanItem{Collection: collection, Fields: fields})
			continue
		}
		for j, id := range v.Vals[i].Keys {
			fields, err := planFields(v.Vals[i].Vals[j])
			if err != nil {
				return nil, fmt.Errorf("reading the plan: %s.%s: %w", collection, id, err)
			}
			items = append(items, hub.PlanItem{Collection: collection, ID: id, Fields: fields})
		}
	}
	return items, nil
}

// timed are the fields of the plan, and of its periods, that hold an instant.
var timed = []string{"from", "since", "retired"}

func planFields(v canon.Value) (map[string]change.Value, error) {
	out := map[string]change.Value{}
	for i, field := range v.Keys {
		value, err := planValue(field, v.Vals[i])
		if err != nil {
			return nil, fmt.Errorf("%s: %w", field, err)
		}
		out[field] = value
	}
	return out, nil
}

func planValue(field string, v canon.Value) (change.Value, error) {
	switch v.Kind {
	case canon.String:
		if slices.Contains(timed, field) {
			at, err := ParseInstant(v.Str)
			return change.Int(at), err
		}
		return change.String(v.Str), nil
	case canon.Number:
		if v.Num == math.Trunc(v.Num) {
			return change.Int(int64(v.Num)), nil
		}
		return change.Float(v.Num), nil
	case canon.Bool:
		return change.Bool(v.Bool), nil
	case canon.Null:
		return change.Value{}, nil
	}
	periods := slices.Contains([]string{"cadence", "limits", "milkings"}, field)
	for i := range v.List {
		if !periods {
			break
		}
		from := canon.Int(0)
		if w, ok := v.List[i].Get("from"); ok {
			at, err := ParseInstant(w.Str)
			if err != nil {
				return change.Value{}, err
			}
			from = canon.Int(at)
		}
		v.List[i].Set("from", from)
	}
	return change.String(string(canon.Append(nil, v))), nil
}

// ParseInstant reads RFC 3339, with or without seconds, as ms since 1970.
func ParseInstant(s string) (int64, error) {
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00"} {
		if t, err := time.Parse(layout, s); err == nil {
			return t.UnixMilli(), nil
		}
	}
	return 0, fmt.Errorf("%q is not an instant such as 2026-03-01T06:00Z", s)
}
