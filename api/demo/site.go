// Package demo seeds one invented site: two gates of different layout, five people, the checks of the trade, and
// six weeks of generated history with drift, misses and repairs. Every name, layout and indicator is made up; the
// readings are drawn from a fixed seed, so that the same day gives the same site.
package demo

import (
	"gatewright/api/starter"
	"gatewright/schema/rights"
)

// Slug names the demo site on the command line.
const Slug = "demo"

const (
	siteName = "Sallow Brook"
	zone     = "Europe/Dublin"
)

var people = []struct {
	name string
	role rights.Role
}{
	{"Maeve Tully", rights.Manager},
	{"Dan Foley", rights.Crew},
	{"Irena Kos", rights.Crew},
	{"Petru Albu", rights.Crew},
	{"Jon Brandt", rights.Contractor},
}

var milkings = []starter.Milking{
	{ID: "am", Name: "morning milking", Start: "05:30", End: "08:30"},
	{ID: "pm", Name: "evening milking", Start: "15:30", End: "18:30"},
}

// gates: the east race is driven by air, has an entrance gate, three beams and a leaf to each side; the yard gate is
// electric, has two beams, one leaf and no entrance gate.
func gates(since int64) []starter.Gate {
	return []starter.Gate{
		{
			ID: "e", Name: "East race", Drive: "air", Since: since,
			Layout: map[string]any{"length": 6.4, "entrance": true, "beams": []any{0.8, 2.8, 5.2}, "sides": []any{"left", "right"}},
			Indicators: []starter.Indicator{
				{ID: "tag", Name: "Small lamp by the reader", States: []starter.IndicatorState{
					{ID: "wink", Name: "winks once an animal", Means: "the tag was read", OK: true},
					{ID: "dark", Name: "stays dark", Means: "no tag was read", OK: false}}},
				{ID: "air", Name: "Flag on the valve block", States: []starter.IndicatorState{
					{ID: "up", Name: "up", Means: "air is on the valves", OK: true},
					{ID: "down", Name: "down", Means: "no air on the valves", OK: false}}},
			},
			Parts: []starter.Part{
				{Type: "entrance", Name: "Entrance gate", X: 0, Y: 0},
				{Type: "photocell", Name: "Beam 1", X: 0.8, Y: 0.5},
				{Type: "reader", Name: "Reader", X: 1.5, Y: -0.5},
				{Type: "photocell", Name: "Beam 2", X: 2.8, Y: 0.5},
				{Type: "leaf", Name: "Sorting leaf", X: 3.9, Y: 0},
				{Type: "hinge", Name: "Leaf hinge and latch", X: 4.6, Y: 0},
				{Type: "ram", Name: "Leaf ram", X: 4.2, Y: 0.6},
				{Type: "speed-control", Name: "Speed controls", X: 4.3, Y: 0.7},
				{Type: "cushion", Name: "End cushions", X: 4.0, Y: 0.7},
				{Type: "position-switch", Name: "Position switches", X: 4.7, Y: 0.4},
				{Type: "photocell", Name: "Beam 3", X: 5.2, Y: 0.5},
				{Type: "grease-point", Name: "Grease points", X: 4.6, Y: -0.2},
				{Type: "regulator", Name: "Regulator and gauge", X: 2.2, Y: 1.0},
				{Type: "filter", Name: "Air filter", X: 2.0, Y: 1.0},
				{Type: "water-trap", Name: "Water trap", X: 1.9, Y: 1.0},
				{Type: "lubricator", Name: "Lubricator", X: 2.4, Y: 1.0},
				{Type: "hose", Name: "Air hoses", X: 3.2, Y: 0.9},
				{Type: "tank", Name: "Air receiver", X: -1.2, Y: 1.4},
				{Type: "compressor", Name: "Compressor", X: -1.8, Y: 1.4},
				{Type: "dryer", Name: "Air dryer", X: -0.7, Y: 1.4},
				{Type: "controller", Name: "Control box", X: 1.2, Y: 1.2},
				{Type: "box", Name: "Cables and glands", X: 1.0, Y: 1.2},
				{Type: "stop", Name: "Emergency stop", X: 0.4, Y: 1.0},
				{Type: "floor", Name: "Race floor", X: 3.0, Y: 0},
				{Type: "pen", Name: "Exit pens", X: 6.8, Y: 0},
			},
		},
		{
			ID: "w", Name: "Yard gate", Drive: "electric", Since: since,
			Layout: map[string]any{"length": 3.6, "entrance": false, "beams": []any{0.6, 2.6}, "sides": []any{"right"}},
			Indicators: []starter.Indicator{
				{ID: "line", Name: "Bottom line of the display", States: []starter.IndicatorState{
					{ID: "two-dots", Name: "two dots walk", Means: "waiting for an animal", OK: true},
					{ID: "bar", Name: "a bar stands still", Means: "a beam is blocked", OK: false},
					{ID: "blank", Name: "blank", Means: "no power, or the link is down", OK: false}}},
			},
			Parts: []starter.Part{
				{Type: "photocell", Name: "Beam 1", X: 0.6, Y: 0.5},
				{Type: "reader", Name: "Reader", X: 1.1, Y: -0.5},
				{Type: "leaf", Name: "Sorting leaf", X: 1.9, Y: 0},
				{Type: "hinge", Name: "Leaf hinge and latch", X: 1.9, Y: 0.1},
				{Type: "position-switch", Name: "Position switches", X: 2.1, Y: 0.4},
				{Type: "photocell", Name: "Beam 2", X: 2.6, Y: 0.5},
				{Type: "grease-point", Name: "Grease points", X: 1.9, Y: -0.2},
				{Type: "controller", Name: "Control box", X: 0.9, Y: 1.2},
				{Type: "box", Name: "Cables and glands", X: 0.8, Y: 1.2},
				{Type: "stop", Name: "Emergency stop", X: 0.3, Y: 1.0},
				{Type: "floor", Name: "Race floor", X: 1.8, Y: 0},
				{Type: "pen", Name: "Exit pens", X: 3.9, Y: 0},
			},
		},
	}
}
