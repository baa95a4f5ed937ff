package rights

import (
	"slices"
	"testing"

	"gatewright/schema/logbook"
)

// The table that is printed and copied to the phone says the same as the questions.
func TestTableAnswersAsTheQuestionsDo(t *testing.T) {
	var roles []Role
	for _, row := range Table() {
		roles = append(roles, row.Role)
		for _, k := range logbook.Kinds() {
			if slices.Contains(row.Writes, k) != MayWrite(row.Role, k) {
				t.Errorf("%s writing %s: table and MayWrite differ", row.Role, k)
			}
		}
		if slices.ContainsFunc(row.Writes, func(k logbook.Kind) bool { return !slices.Contains(logbook.Kinds(), k) }) {
			t.Errorf("%s writes a kind that there is not: %v", row.Role, row.Writes)
		}
		if sorted := slices.Sorted(slices.Values(row.Writes)); len(slices.Compact(sorted)) != len(row.Writes) {
			t.Errorf("%s writes a kind twice: %v", row.Role, row.Writes)
		}
		if row.Baselines != MayBaseline(row.Role) || (row.Voids == VoidAny) != MayVoid(row.Role, false) || (row.Voids != VoidNone) != MayVoid(row.Role, true) {
			t.Errorf("%s: %+v", row.Role, row)
		}
		for _, collection := range logbook.Collections() {
			for _, field := range logbook.PlanFields(collection) {
				if slices.Contains(row.Edits[collection], field) != MayEdit(row.Role, collection, field) {
					t.Errorf("%s editing %s.%s: table and MayEdit differ", row.Role, collection, field)
				}
			}
		}
	}
	if want := []Role{Crew, Manager, Contractor, Technician, Viewer, Server}; !slices.Equal(roles, want) {
		t.Errorf("the table has %v, want %v", roles, want)
	}
}

// Whoever gets the table may scribble on it.
func TestTableIsACopy(t *testing.T) {
	for _, row := range Table() {
		if len(row.Writes) > 0 {
			row.Writes[0] = logbook.Receipt
		}
		row.Edits[logbook.SiteCollection] = append(row.Edits[logbook.SiteCollection], "tz")
		if fields := row.Edits[logbook.ChecksCollection]; len(fields) > 0 {
			fields[0] = "since"
		}
	}
	if MayWrite(Crew, logbook.Receipt) || !MayWrite(Crew, logbook.Tick) || MayEdit(Crew, "site", "tz") || MayEdit(Manager, "checks", "since") || !MayEdit(Manager, "checks", "gate") {
		t.Error("the table itself was changed")
	}
}

// A kind is the server's alone exactly when nobody else may write it.
func TestOnlyServer(t *testing.T) {
	alone := 0
	for _, k := range logbook.Kinds() {
		others := 0
		for _, role := range []Role{Crew, Manager, Contractor, Technician, Viewer} {
			if MayWrite(role, k) {
				others++
			}
		}
		if OnlyServer(k) != (others == 0) {
			t.Errorf("%s: OnlyServer is %v, and %d other roles may write it", k, OnlyServer(k), others)
		}
		if OnlyServer(k) {
			alone++
		}
	}
	if alone != 4 || OnlyServer("unheard-of") {
		t.Errorf("%d kinds are the server's alone, want 4", alone)
	}
}
