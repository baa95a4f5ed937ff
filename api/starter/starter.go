// Package starter builds the plan that a new site begins with: its gates from a layout, the parts each layout
// has, and for every part the checks of the trade. Where a check comes from is in its source: c common practice
// (no published source), m the maker's manual decides, e an estimate to be replaced by the site's own baseline,
// law local law decides. Every number is a start that the site sets for itself.
package starter

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"time"

	"gatewright/sync/change"
	"gatewright/sync/hub"
)

//go:embed checks.json
var checksJSON []byte

// template is one check of the trade, kept in checks.json.
type template struct {
	No       int             `json:"no"`
	Part     string          `json:"part"` // type of the part that it is about
	Name     string          `json:"name"`
	Kind     string          `json:"kind"`
	Cadence  json.RawMessage `json:"cadence"`
	Limits   json.RawMessage `json:"limits"`
	Autumn   bool            `json:"autumn"` // comes in autumn, whichever half of the year that is
	Minutes  float64         `json:"minutes"`
	How      string          `json:"how"`
	Good     string          `json:"good"`
	Bad      string          `json:"bad"`
	Cautions []int           `json:"cautions"`
	Source   string          `json:"source"`
}

// Site is what the plan says of a site as a whole.
type Site struct {
	ID, Name, Zone string
	Table          []byte // TZif
	TableVersion   string
	Milkings       []Milking
	Since          int64 // ms
}

// Milking is one milking of the day; times are HH:MM, local.
type Milking struct {
	ID    string `json:"id"`
	Name  string `json:"name"`
	Start string `json:"start"`
	End   string `json:"end"`
}

// Part is one part of a gate; X and Y in metres on its drawing, X along the race with the animals.
type Part struct {
	Type string
	Name string
	X, Y float64
}

// Gate is one gate and its parts.
type Gate struct {
	ID         string // one or two letters: it begins the ids of parts and checks, which travel in every entry
	Name       string
	Drive      string // air, electric
	Layout     map[string]any
	Indicators []Indicator
	Parts      []Part
	Since      int64
}

// Indicator is a lamp or display line and what its states mean at this gate.
type Indicator struct {
	ID     string           `json:"id"`
	Name   string           `json:"name"`
	States []IndicatorState `json:"states"`
}

// IndicatorState is one state of an indicator.
type IndicatorState struct {
	ID    string `json:"id"`
	Name  string `json:"name"`
	Means string `json:"means"`
	OK    bool   `json:"ok"`
}

// Plan gives the items of a new plan.
func Plan(site Site, gates []Gate) ([]hub.PlanItem, error) {
	milkings, err := packed([]any{map[string]any{"from": 0, "milkings": site.Milkings}})
	if err != nil {
		return nil, err
	}
	items := []hub.PlanItem{{Collection: "site", Fields: fields{
		"id": change.String(site.ID), "name": change.String(site.Name), "zone": change.String(site.Zone),
		"tz": change.Bytes(site.Table), "tzv": change.String(site.TableVersion), "milkings": change.String(milkings), "quiet_after": change.Int(quietAfter),
	}}}
	var templates []template
	if err := json.Unmarshal(checksJSON, &templates); err != nil {
		return nil, fmt.Errorf("reading the checks of the trade: %w", err)
	}
	loc, err := time.LoadLocationFromTZData(site.Zone, site.Table)
	if err != nil {
		return nil, fmt.Errorf("reading the zone table: %w", err)
	}
	for i, g := range gates {
		more, err := gateItems(g, i, site.Milkings, templates, loc)
		if err != nil {
			return nil, fmt.Errorf("gate %s: %w", g.ID, err)
		}
		items = append(items, more...)
	}
	return items, nil
}

type fields = map[string]change.Value

// quietAfter is how long nobody may record anything before it is a flag, in minutes: three milkings of two a day.
const quietAfter = 36 * 60

// usualRates is what a gate's read rate is held against: 97 percent (an estimate), and one point below what it was.
const usualRates = `[{"fall":1,"from":0,"low":97}]`

func gateItems(g Gate, order int, milkings []Milking, templates []template, loc *time.Location) ([]hub.PlanItem, error) {
	layout, err := packed(g.Layout)
	if err != nil {
		return nil, err
	}
	indicators, err := packed(list(g.Indicators))
	if err != nil {
		return nil, err
	}
	items := []hub.PlanItem{{Collection: "gates", ID: g.ID, Fields: fields{
		"name": change.String(g.Name), "order": change.Int(int64(order)), "drive": change.String(g.Drive),
		"layout": change.String(layout), "indicators": change.String(indicators), "since": change.Int(g.Since),
		"rates": change.String(usualRates),
	}}}
	first := map[string]string{} // type to the id of its first part
	for i, p := range g.Parts {
		id := g.ID + "-" + string(rune('a'+i/26)) + string(rune('a'+i%26))
		if first[p.Type] == "" {
			first[p.Type] = id
		}
		pos, err := packed(map[string]any{"x": p.X, "y": p.Y})
		if err != nil {
			return nil, err
		}
		items = append(items, hub.PlanItem{Collection: "parts", ID: id, Fields: fields{
			"gate": change.String(g.ID), "type": change.String(p.Type), "name": change.String(p.Name),
			"pos": change.String(pos), "order": change.Int(int64(i)), "since": change.Int(g.Since),
		}})
	}
	var round []string
	for _, t := range templates {
		part := first[t.Part]
		if part == "" && t.Part != "" {
			continue // this gate has no such part
		}
		if t.Autumn && southern(g.Since, loc) {
			t.Cadence = bytes.ReplaceAll(t.Cadence, []byte("BYMONTH=10"), []byte("BYMONTH=4"))
		}
		item, err := checkItem(g, part, t)
		if err != nil {
			return nil, fmt.Errorf("check %d: %w", t.No, err)
		}
		items = append(items, item)
		if everyMilking(t) {
			round = append(round, item.ID)
		}
	}
	for i, m := range milkings {
		checks, err := packed(list(round))
		if err != nil {
			return nil, err
		}
		items = append(items, hub.PlanItem{Collection: "rounds", ID: g.ID + "-" + m.ID, Fields: fields{
			"name": change.String(g.Name + ", before " + m.Name), "milking": change.String(m.ID), "checks": change.String(checks),
			"order": change.Int(int64(order*10 + i)), "since": change.Int(g.Since),
		}})
	}
	return items, nil
}

func everyMilking(t template) bool {
	var c struct {
		Every string `json:"every"`
	}
	return json.Unmarshal(t.Cadence, &c) == nil && c.Every == "milking"
}

// southern says whether autumn comes in April: where the clocks are ahead in January. A place that keeps one time all
// year counts as northern; the site sets it right.
func southern(at int64, loc *time.Location) bool {
	year := time.UnixMilli(at).In(loc).Year()
	_, january := time.Date(year, time.January, 15, 12, 0, 0, 0, loc).Zone()
	_, july := time.Date(year, time.July, 15, 12, 0, 0, 0, loc).Zone()
	return january > july
}

func checkItem(g Gate, part string, t template) (hub.PlanItem, error) {
	cadence, err := inForce(t.Cadence)
	if err != nil {
		return hub.PlanItem{}, err
	}
	cautions, err := packed(list(t.Cautions))
	if err != nil {
		return hub.PlanItem{}, err
	}
	f := fields{
		"gate": change.String(g.ID), "name": change.String(t.Name), "kind": change.String(t.Kind),
		"cadence": change.String(cadence), "minutes": change.Float(t.Minutes),
		"how":      change.String(t.How + "\nRight: " + t.Good + "\nNot right: " + t.Bad),
		"cautions": change.String(cautions), "source": change.String(t.Source), "order": change.Int(int64(t.No)), "since": change.Int(g.Since),
	}
	if part != "" {
		f["part"] = change.String(part)
	}
	if t.Limits != nil {
		limits, err := inForce(t.Limits)
		if err != nil {
			return hub.PlanItem{}, err
		}
		f["limits"] = change.String(limits)
	}
	return hub.PlanItem{Collection: "checks", ID: fmt.Sprintf("%s%02d", g.ID, t.No), Fields: f}, nil
}

// inForce makes the list of one period, in force since ever.
func inForce(raw json.RawMessage) (string, error) {
	var period map[string]any
	if err := json.Unmarshal(raw, &period); err != nil {
		return "", err
	}
	period["from"] = 0
	return packed([]any{period})
}
