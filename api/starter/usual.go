package starter

// UsualMilkings are two milkings a day, to be set to the site's own (common practice, no source).
func UsualMilkings() []Milking {
	return []Milking{
		{ID: "am", Name: "morning milking", Start: "05:30", End: "08:30"},
		{ID: "pm", Name: "evening milking", Start: "15:30", End: "18:30"},
	}
}

// UsualGate is an air-driven gate with an entrance gate and three beams, at the middle of the usual positions
// (estimates): a start for a site to set right.
func UsualGate(id, name string, since int64) Gate {
	return Gate{ID: id, Name: name, Drive: "air", Since: since,
		Layout: map[string]any{"length": 6.2, "entrance": true, "beams": []any{0.8, 2.8, 5.1}, "sides": []any{"left"}},
		Parts: []Part{
			{"entrance", "Entrance gate", 0, 0}, {"photocell", "Beam 1", 0.8, 0.5}, {"reader", "Reader", 1.4, -0.5},
			{"photocell", "Beam 2", 2.8, 0.5}, {"leaf", "Sorting leaf", 3.8, 0}, {"hinge", "Leaf hinge and latch", 4.5, 0},
			{"ram", "Leaf ram", 4.1, 0.6}, {"speed-control", "Speed controls", 4.2, 0.7}, {"cushion", "End cushions", 3.9, 0.7},
			{"position-switch", "Position switches", 4.6, 0.4}, {"photocell", "Beam 3", 5.1, 0.5}, {"grease-point", "Grease points", 4.5, -0.2},
			{"regulator", "Regulator and gauge", 2.2, 1.0}, {"filter", "Air filter", 2.0, 1.0}, {"water-trap", "Water trap", 1.9, 1.0},
			{"hose", "Air hoses", 3.2, 0.9}, {"tank", "Air receiver", -1.2, 1.4}, {"compressor", "Compressor", -1.8, 1.4},
			{"controller", "Control box", 1.2, 1.2}, {"box", "Cables and glands", 1.0, 1.2}, {"stop", "Emergency stop", 0.4, 1.0},
			{"floor", "Race floor", 3.0, 0}, {"pen", "Exit pens", 6.6, 0},
		}}
}
