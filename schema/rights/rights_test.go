package rights

import (
	"testing"

	"gatewright/schema/logbook"
)

// A row of words per role, written by hand: w = writes, dot = does not.
func TestKinds(t *testing.T) {
	order := []Role{Crew, Manager, Contractor, Technician, Viewer, Server}
	want := map[logbook.Kind]string{
		logbook.Tick: "www..w", logbook.Reading: "www..w", logbook.Indication: "www..w", logbook.ModeSeen: "www..w",
		logbook.Tally: "www..w", logbook.Note: "www..w", logbook.Attachment: "www..w", logbook.Fault: "www..w",
		logbook.Fixed: "www..w", logbook.Handover: "www..w", logbook.Seen: "www..w", logbook.Park: "www..w",
		logbook.Event: "www..w", logbook.Take: "www..w", logbook.Handback: "www..w", logbook.Void: "www..w",
		logbook.Isolate: "www..w", logbook.Taught: "www..w",
		logbook.Dismiss: ".w...w", logbook.Fitting: ".ww..w", logbook.Visit: ".ww..w", logbook.Sign: ".ww..w", logbook.Survey: ".ww..w",
		logbook.Clock: ".....w", logbook.Admitted: ".....w", logbook.Receipt: ".....w", logbook.MilkingSum: ".....w",
		"unheard-of": "......",
	}
	for kind, row := range want {
		for i, role := range order {
			if got := MayWrite(role, kind); got != (row[i] == 'w') {
				t.Errorf("%s writing %s: %v", role, kind, got)
			}
		}
	}
	if MayWrite("owner", logbook.Tick) {
		t.Error("an unknown role may write")
	}
}

func TestVoid(t *testing.T) {
	for role, want := range map[Role][2]bool{ // own, another's
		Crew: {true, false}, Manager: {true, true}, Contractor: {true, false}, Technician: {}, Viewer: {}, Server: {true, true}, "": {},
	} {
		if got := [2]bool{MayVoid(role, true), MayVoid(role, false)}; got != want {
			t.Errorf("%q: %v, want %v", role, got, want)
		}
	}
}

// Only managers edit the plan, and what the server alone sets is nobody's: every field of the plan is tried.
func TestPlanFields(t *testing.T) {
	servers := map[string]bool{"site.id": true, "site.tz": true, "site.tzv": true,
		"gates.since": true, "parts.since": true, "checks.since": true, "rounds.since": true}
	tried := 0
	for _, collection := range logbook.Collections() {
		for _, field := range logbook.PlanFields(collection) {
			tried++
			for _, role := range []Role{Crew, Contractor, Technician, Viewer, Server, ""} {
				if MayEdit(role, collection, field) {
					t.Errorf("%s may edit %s.%s", role, collection, field)
				}
			}
			if got := MayEdit(Manager, collection, field); got == servers[collection+"."+field] {
				t.Errorf("manager editing %s.%s: %v", collection, field, got)
			}
		}
	}
	if tried < 30 {
		t.Errorf("only %d fields were tried", tried)
	}
	if MayEdit(Manager, "site", "wake") || MayEdit(Manager, "people", "name") {
		t.Error("a field that the plan lacks may be edited")
	}
}

// A baseline is for those who commission and service; other readings are everybody's who writes readings at all.
func TestBaseline(t *testing.T) {
	plain := &logbook.Entry{Kind: logbook.Reading}
	baseline := &logbook.Entry{Kind: logbook.Reading, Baseline: true}
	for role, want := range map[Role][2]bool{
		Crew: {true, false}, Manager: {true, true}, Contractor: {true, true}, Technician: {}, Viewer: {}, Server: {true, true}, "": {},
	} {
		if got := [2]bool{MayRecord(role, plain), MayRecord(role, baseline)}; got != want {
			t.Errorf("%q: %v, want %v", role, got, want)
		}
	}
	if MayRecord(Contractor, &logbook.Entry{Kind: logbook.Dismiss}) {
		t.Error("a contractor may dismiss a flag")
	}
}

// Whoever works at the site has its documents; who looks on, and what is no role, has not.
func TestHoldsDocuments(t *testing.T) {
	for role, want := range map[Role]bool{Crew: true, Manager: true, Contractor: true, Technician: false, Viewer: false, Server: false, "owner": false, "": false} {
		if got := HoldsDocuments(role); got != want {
			t.Errorf("%q: %v, want %v", role, got, want)
		}
		if want && len(rowOf(role).Writes) == 0 {
			t.Errorf("%s holds documents and writes nothing in them", role)
		}
	}
}
