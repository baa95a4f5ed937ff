package main

import (
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/sync/sqlitestore"
)

// build makes the real server.
func build(t *testing.T) string {
	t.Helper()
	binary := filepath.Join(t.TempDir(), "gatewright")
	if out, err := exec.Command("go", "build", "-o", binary, "gatewright/api/gatewright").CombinedOutput(); err != nil {
		t.Fatalf("building the server: %v: %s", err, out)
	}
	return binary
}

// A tiny storm against the real server: every entry arrives at every other phone of its document, is acknowledged,
// and stands in the database afterwards.
func TestStorm(t *testing.T) {
	s := storm{label: "tiny", shape: shape{docs: 2, perDoc: 3}, entries: 60, rate: 300, patience: 20 * time.Second, probe: true}
	o, folder := newOurs(build(t)), t.TempDir()
	r, err := s.run(t.Context(), o, folder)
	if err != nil {
		t.Fatal(err)
	}
	if r.Deliveries != 120 || r.Entries != 60 || r.Note != o.keeps() {
		t.Errorf("%d deliveries of %d entries, note %q; want 120 of 60", r.Deliveries, r.Entries, r.Note)
	}
	for name, f := range map[string]*float64{"p50": r.P50, "p99": r.P99, "ack p99": r.AckP99, "acks/s": r.AckRate, "peak": r.Peak, "sync": r.SyncP99} {
		if f == nil || *f <= 0 {
			t.Errorf("%s was not measured", name)
		}
	}
	// An entry goes up once and comes down twice, in frames of their own.
	if r.Up == nil || *r.Up < 200 || r.Down == nil || *r.Down < 2*200 {
		t.Errorf("%v bytes up and %v down are too few to hold the entries", r.Up, r.Down)
	}
	if r.CPU == nil || *r.CPU < 0 {
		t.Error("CPU was not measured")
	}

	db, err := sqlitestore.Open(t.Context(), filepath.Join(o.data, "gatewright.db"), sqlitestore.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for i, y := range o.yards {
		changes, held, err := db.Load(t.Context(), y.site, o.month)
		if err != nil {
			t.Fatal(err)
		}
		if want := 30 + 3*warmUp; len(changes) != want || len(held) != 0 {
			t.Errorf("site %d has %d entries and %d held, want %d and none", i, len(changes), len(held), want)
		}
	}
}

func TestPercentile(t *testing.T) {
	var hundred []time.Duration
	for i := range 100 {
		hundred = append(hundred, time.Duration(i+1)*time.Millisecond)
	}
	// nearest rank: the smallest value with at least p of a hundred at or below it
	for p, want := range map[float64]float64{50: 50, 99: 99, 100: 100, 1: 1} {
		if got := percentile(hundred, p); got != want {
			t.Errorf("percentile %v of 1 to 100 is %v, want %v", p, got, want)
		}
	}
	if got := percentile(hundred[:1], 99); got != 1 {
		t.Errorf("of one value it is %v", got)
	}
	if got := percentile(hundred[:3], 50); got != 2 {
		t.Errorf("the median of 1, 2, 3 is %v", got)
	}
}

func TestMedian(t *testing.T) {
	got := median([]row{{Server: "x", P50: figure(9), Peak: figure(1)}, {Server: "x", P50: figure(1)}, {Server: "x", P50: figure(3), Peak: figure(2)}})
	if got.Server != "x" || got.Runs != 3 || *got.P50 != 3 || *got.Peak != 1.5 || got.CPU != nil {
		t.Errorf("median is %+v", got)
	}
}

func TestRatios(t *testing.T) {
	r := &report{Rows: []row{
		{Case: "yard", Server: "gatewright", P50: figure(2), CPU: figure(0.5), Peak: figure(20)},
		{Case: "yard", Server: "other", P50: figure(6), CPU: figure(1), Peak: figure(100)},
		{Case: "crowd", Server: "other", P50: figure(6)},
		{Case: "yard", Server: "broken", Note: "not measured: it is not installed"},
	}}
	r.compare()
	if len(r.Ratios) != 1 {
		t.Fatalf("%d ratios, want 1: %+v", len(r.Ratios), r.Ratios)
	}
	if q := r.Ratios[0]; q.Server != "other" || *q.P50 != 3 || *q.CPU != 2 || *q.Memory != 5 || q.P99 != nil {
		t.Errorf("ratio is %+v", q)
	}
}

func TestArguments(t *testing.T) {
	for _, args := range [][]string{{}, {"async"}, {"sync", "--case", "nothing"}, {"sync", "--server", "nobody"}, {"sync", "--colour"}, {"sync", "more"}} {
		if _, err := parse(args); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%v: %v, want one sentence", args, err)
		}
	}
	s, err := parse([]string{"sync", "--case", "yard,growth", "--quick"})
	if err != nil || !slices.Equal(s.cases, []string{"yard", "growth"}) || !slices.Equal(s.servers, serverNames) || !s.quick {
		t.Errorf("%+v, %v", s, err)
	}
}
