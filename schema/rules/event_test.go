package rules

import "testing"

// What was waived counts nowhere: however much of it there is, what closed
// before still counts.
func TestWaivedLeaveRoom(t *testing.T) {
	const start, hour = int64(1777593600000), int64(60 * minuteMs) // 2026-05-01T00:00Z
	plan := planJSON(t, "Europe/Dublin", map[string]any{
		"gates":  map[string]any{"east": map[string]any{}},
		"checks": map[string]any{"c0": map[string]any{"gate": "east", "kind": "look", "since": start, "cadence": []any{map[string]any{"from": start, "every": "passages", "n": 1, "grace": 60}}}},
	})
	s := site{plan: plan}
	n := 0
	add := func(m map[string]any) {
		n++
		m["id"] = string(entryID(n))
		s.entries = append(s.entries, entry(t, m))
	}
	for day := range int64(30) {
		m := map[string]any{"kind": "milking", "at": start + (24*day+8)*hour, "by": "server"}
		milked(m, "east", 100, 0)
		add(m)
		switch day {
		case 0:
			add(map[string]any{"kind": "tick", "check": "c0", "at": start + 8*hour + hour/2})
			add(map[string]any{"kind": "park", "gate": "east", "out": true, "at": start + 20*hour})
		case 25:
			add(map[string]any{"kind": "park", "gate": "east", "out": false, "at": start + (24*day+20)*hour})
		}
	}
	got := completionOf(s.fresh(t).Evaluate(start + 29*24*hour + 8*hour + hour/2))
	// The first was late; those of days 1 to 25 were waived; of days 26 to 28
	// only the first was asked for, missed, and nothing has come since.
	want := Completion{Check: "c0", N: 2, Late: 1, Missed: 1, From: start + 8*hour, To: start + (26*24+8)*hour}
	if got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}
