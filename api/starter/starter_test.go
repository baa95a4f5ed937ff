package starter_test

import (
	"encoding/json"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/api/accounts"
	"gatewright/api/starter"
	"gatewright/schema/calc"
	"gatewright/schema/logbook"
	"gatewright/schema/zones"
	"gatewright/sync/hub"
	"gatewright/sync/replay"
	"gatewright/sync/sqlitestore"
)

var since = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC).UnixMilli()

// written writes a plan by the hub into a database and reads it back as the server and the phones do.
func written(t *testing.T, gates ...starter.Gate) (accounts.Site, *replay.Site) {
	t.Helper()
	db, err := sqlitestore.Open(t.Context(), filepath.Join(t.TempDir(), "gatewright.db"), sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	clock := func() time.Time { return time.UnixMilli(since) }
	site, err := accounts.New(db, clock).CreateSite(t.Context(), "brook", "Sallow Brook", "Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	table, err := zones.Table(site.Zone)
	if err != nil {
		t.Fatal(err)
	}
	items, err := starter.Plan(starter.Site{ID: site.ID, Name: site.Name, Zone: site.Zone, Table: table, TableVersion: zones.Version(),
		Milkings: starter.UsualMilkings(), Since: since}, gates)
	if err != nil {
		t.Fatal(err)
	}
	runner := hub.NewRunner(db, hub.Config{StorageID: "test", Now: clock}, slog.New(slog.DiscardHandler))
	if err := runner.WritePlan(t.Context(), site.ID, items); err != nil {
		t.Fatal(err)
	}
	if err := runner.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	read, err := replay.Read(t.Context(), db, site.ID)
	if err != nil {
		t.Fatal(err)
	}
	return site, read
}

// The trade's table: when each check is done, which cautions go with it, and whether it is for a usual air-driven
// gate. Common practice from experience, no published source; law is that of the place.
var trade = []struct {
	no       int
	every    logbook.Every
	n        int
	cautions []int
	absent   bool // the usual gate has no such part
}{
	{1, "day", 1, []int{1, 7}, false}, {2, "day", 1, []int{1}, false}, {3, "week", 1, nil, false},
	{4, "milking", 1, []int{3}, false}, {5, "milking", 1, nil, false}, {6, "milking", 1, []int{7}, false},
	{7, "milking", 1, []int{1, 7}, false}, {8, "day", 1, []int{7}, false}, {9, "week", 1, nil, false},
	{10, "day", 1, nil, false}, {11, "month", 1, []int{1}, false}, {12, "month", 1, []int{1}, false},
	{13, "week", 1, []int{5}, false}, {14, "month", 12, []int{2}, false}, {15, "week", 1, []int{2}, true},
	{16, "day", 1, []int{5, 9}, false}, {17, "month", 1, []int{2, 6}, false}, {18, "month", 12, []int{9}, false},
	{19, "month", 1, nil, false}, {20, "month", 1, []int{5}, false}, {21, "month", 1, []int{2}, false},
	{22, "month", 1, []int{1}, false}, {23, "month", 1, []int{1, 4}, false}, {24, "month", 1, []int{4}, false},
	{25, "month", 1, []int{2}, false}, {26, "week", 1, []int{2}, false}, {27, "month", 1, []int{2}, false},
	{28, "month", 1, []int{1}, false}, {29, "week", 1, []int{11}, false}, {30, "month", 1, []int{1}, false},
	{31, "month", 1, []int{6}, false}, {32, "month", 3, []int{6}, false}, {33, "month", 1, []int{1, 13}, false},
	{34, "month", 3, []int{3}, false}, {35, "calendar", 0, []int{10}, true}, {36, "event", 0, []int{3}, false},
	{37, "month", 12, []int{2, 3, 6}, false},
}

func TestUsualPlan(t *testing.T) {
	site, read := written(t, starter.UsualGate("a", "Sorting gate", since))
	plan := read.Plan
	for _, p := range plan.Problems {
		t.Errorf("problem: %s: %s", p.Field, p.Detail)
	}
	if len(read.Conflicts) != 0 {
		t.Errorf("conflicts: %v", read.Conflicts)
	}
	s := plan.Site
	if s.ID != site.ID || s.Name != site.Name || s.Zone != site.Zone || s.TZVersion != zones.Version() || s.Location.String() == "UTC" {
		t.Errorf("site: id %s, name %s, zone %s, table %s, location %s", s.ID, s.Name, s.Zone, s.TZVersion, s.Location)
	}
	if len(plan.GateIDs) != 1 || len(plan.PartIDs) != len(starter.UsualGate("a", "", 0).Parts) || len(plan.RoundIDs) != 2 {
		t.Errorf("%d gates, %d parts, %d rounds", len(plan.GateIDs), len(plan.PartIDs), len(plan.RoundIDs))
	}
	known := 0
	for _, want := range trade {
		id := "a" + string(rune('0'+want.no/10)) + string(rune('0'+want.no%10))
		c := plan.Checks[id]
		if (c == nil) != want.absent {
			t.Errorf("check %d: there %v, want %v", want.no, c != nil, !want.absent)
		}
		if c == nil {
			continue
		}
		known++
		if c.Name == "" || c.Name == c.ID || c.Gate != "a" || plan.Parts[c.Part] == nil && c.Kind != logbook.VisitCheck {
			t.Errorf("check %d: name %q, gate %q, part %q", want.no, c.Name, c.Gate, c.Part)
		}
		if parts := strings.Split(c.How, "\n"); len(parts) != 3 || len(parts[0]) < 20 || !strings.HasPrefix(parts[1], "Right: ") || !strings.HasPrefix(parts[2], "Not right: ") {
			t.Errorf("check %d: how is %q; want what to do, and how right and not right look", want.no, c.How)
		}
		if !slices.Contains([]string{"c", "m", "e", "law"}, c.Source) {
			t.Errorf("check %d: source %q", want.no, c.Source)
		}
		if !slices.Equal(c.Cautions, want.cautions) {
			t.Errorf("check %d: cautions %v, want %v", want.no, c.Cautions, want.cautions)
		}
		if cad := c.CadenceAt(since); cad == nil || cad.Every != want.every || want.n > 0 && cad.N != want.n {
			t.Errorf("check %d: cadence %+v, want every %d %s", want.no, cad, want.n, want.every)
		}
		if c.Kind == "number" && (c.LimitsAt(since) == nil || c.LimitsAt(since).Unit == "") {
			t.Errorf("check %d: a number without limits and a unit", want.no)
		}
		if c.Minutes.String() == "0" {
			t.Errorf("check %d: no minutes", want.no)
		}
	}
	if known != len(plan.CheckIDs) {
		t.Errorf("%d checks, of which %d are of the trade", len(plan.CheckIDs), known)
	}
	for _, id := range plan.RoundIDs {
		if got, want := plan.Rounds[id].Checks, []string{"a04", "a05", "a06", "a07"}; !slices.Equal(got, want) {
			t.Errorf("round %s: %v, want what is looked at every milking, %v", id, got, want)
		}
	}
}

// A law check says that it is law, since no site may set it aside by itself.
func TestLawIsNamed(t *testing.T) {
	_, read := written(t, starter.UsualGate("a", "Sorting gate", since))
	for _, id := range []string{"a18", "a32"} {
		if c := read.Plan.Checks[id]; c == nil || c.Source != "law" {
			t.Errorf("check %s: %+v, want the source law", id, c)
		}
	}
}

// A gate is what its site says it is, down to one without any part.
func TestAnyGate(t *testing.T) {
	bare := starter.Gate{ID: "b", Name: "Bare gate", Drive: "electric", Since: since, Layout: map[string]any{"length": 3.0, "entrance": false, "beams": []any{}, "sides": []any{"right"}}}
	lubricated := starter.UsualGate("c", "With all there is", since)
	lubricated.Parts = append(lubricated.Parts, starter.Part{Type: "lubricator", Name: "Lubricator"}, starter.Part{Type: "dryer", Name: "Air dryer"})
	for i := range 30 { // part ids go on behind z
		lubricated.Parts = append(lubricated.Parts, starter.Part{Type: "other", Name: "Post " + string(rune('A'+i%26))})
	}
	_, read := written(t, bare, lubricated)
	for _, p := range read.Plan.Problems {
		t.Errorf("problem: %s: %s", p.Field, p.Detail)
	}
	if got := len(read.Plan.CheckIDs); got != len(trade)+1 {
		t.Errorf("%d checks, want all %d of the gate that has everything, and of the bare one only the visit", got, len(trade))
	}
	if got, want := len(read.Plan.PartIDs), len(lubricated.Parts); got != want {
		t.Errorf("%d parts, want %d", got, want)
	}
}

// The yearly check before the frost begins in the autumn of the place.
func TestAutumn(t *testing.T) {
	for _, c := range []struct{ zone, made, want string }{
		{"Europe/Dublin", "2026-03-01T06:00:00Z", "2026-10-15T11:00:00Z"},
		{"Europe/Dublin", "2026-11-01T00:00:00Z", "2027-10-15T11:00:00Z"},
		{"Pacific/Auckland", "2026-11-01T00:00:00Z", "2027-04-15T00:00:00Z"},
		{"Pacific/Auckland", "2026-01-01T00:00:00Z", "2026-04-15T00:00:00Z"},
		{"Asia/Kolkata", "2026-01-01T00:00:00Z", "2026-10-15T06:30:00Z"},
	} {
		table, err := zones.Table(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		made, err := time.Parse(time.RFC3339, c.made)
		if err != nil {
			t.Fatal(err)
		}
		gate := starter.UsualGate("a", "Gate", made.UnixMilli())
		gate.Parts = append(gate.Parts, starter.Part{Type: "dryer", Name: "Air dryer"})
		items, err := starter.Plan(starter.Site{Zone: c.zone, Table: table, Since: made.UnixMilli()}, []starter.Gate{gate})
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, i := range items {
			if i.ID == "a35" {
				found = true
				due, err := calc.Run("due.next", firstRule(t, i.Fields["cadence"].Str, c.zone, c.made))
				if err != nil {
					t.Fatal(err)
				}
				var out struct{ Instants []time.Time }
				if err := json.Unmarshal(due, &out); err != nil || len(out.Instants) != 1 {
					t.Fatalf("%s: %v", due, err)
				}
				if got := out.Instants[0].UTC().Format(time.RFC3339); got != c.want {
					t.Errorf("%s, made %s: due %s, want %s", c.zone, c.made, got, c.want)
				}
			}
		}
		if !found {
			t.Errorf("%s: no check of the dew point", c.zone)
		}
	}
}

// firstRule asks for the first time of a calendar cadence after an instant.
func firstRule(t *testing.T, cadence, zone, after string) []byte {
	t.Helper()
	var periods []struct{ Every, Rule, Start string }
	if err := json.Unmarshal([]byte(cadence), &periods); err != nil || len(periods) != 1 || periods[0].Every != "calendar" {
		t.Fatalf("cadence %s: %v", cadence, err)
	}
	b, err := json.Marshal(map[string]any{"rule": periods[0].Rule, "start": periods[0].Start, "zone": zone, "after": after, "count": 1})
	if err != nil {
		t.Fatal(err)
	}
	return b
}
