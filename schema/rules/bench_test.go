package rules

import (
	"strconv"
	"testing"

	"gatewright/schema/logbook"
)

// yard is a site of 40 daily checks on two gates and a year of ticks, the last
// at the instant returned.
func yard(tb testing.TB) (*site, int64) {
	const day = int64(24 * 60 * minuteMs)
	start := int64(1735689600000) // 2025-01-01T00:00Z
	checks := map[string]any{}
	for i := range 40 {
		c := map[string]any{"gate": []string{"east", "west"}[i%2], "kind": "look", "since": start}
		mode := []string{"fixed", "fixed", "fixed", "last"}[i%4]
		c["cadence"] = []any{map[string]any{"from": start, "every": "day", "mode": mode, "grace": 120}}
		checks["c"+strconv.Itoa(i)] = c
	}
	s := &site{plan: planJSON(tb, "Europe/Dublin", map[string]any{"gates": map[string]any{"east": map[string]any{}, "west": map[string]any{}}, "checks": checks})}
	n := 0
	for d := range int64(365) {
		for i := range 40 {
			if (d+int64(i))%9 == 0 {
				continue
			}
			n++
			at := start + d*day + int64(6*60+i)*minuteMs
			s.entries = append(s.entries, &logbook.Entry{
				ID: logbook.NewEntryID(at, [10]byte{byte(n)}), V: 1, Kind: logbook.Tick,
				At: at, By: "pa00000000", Dev: "d000000000", Check: "c" + strconv.Itoa(i),
			})
		}
	}
	return s, start + 364*day + 8*60*minuteMs
}

// All of a year, as a phone does that has no saved state.
func BenchmarkFirst(b *testing.B) {
	s, now := yard(b)
	for b.Loop() {
		s.fresh(b).Evaluate(now)
	}
}

// One more tick, and the output anew.
func BenchmarkOneMore(b *testing.B) {
	s, now := yard(b)
	e := s.fresh(b)
	e.Evaluate(now)
	x := *s.entries[len(s.entries)-1]
	checks := make([]string, 40)
	for i := range checks {
		checks[i] = "c" + strconv.Itoa(i)
	}
	var buf []byte
	n := 0
	for b.Loop() {
		n++
		x.ID = logbook.NewEntryID(now, [10]byte{0, 0, 0, 0, 0, 0, byte(n >> 24), byte(n >> 16), byte(n >> 8), byte(n)})
		x.Check = checks[n%40]
		e.Add(&x)
		buf = e.Evaluate(now).AppendJSON(buf[:0])
	}
}

func BenchmarkLoad(b *testing.B) {
	s, now := yard(b)
	saved := s.fresh(b).Save()
	b.ReportMetric(float64(len(saved)), "bytes")
	for b.Loop() {
		e, err := Load(saved)
		if err != nil {
			b.Fatal(err)
		}
		e.Evaluate(now)
	}
}
