// Package rights is the one table of who may do what: which role may write which kind of entry, whose entries it
// may void or replace, and which fields of the plan it may edit. The API, the sync path and the phone's screens
// all go by it; nobody else decides.
//
// Technicians and viewers write nothing in documents: they read projections through the API. The server writes the
// kinds that only it may write; plan items are created by the server alone, so site.id, the zone tables and the
// beginnings of items are nobody's to edit.
//
// The table knows kinds and fields, with one exception inside a kind: a baseline is what later readings are held
// against, so a reading may carry it only from those who commission and service. Whoever may take a flag may hand it
// back, whoever took it: the rules count only a handback of what is held, and a lost phone must not keep a flag.
package rights

import (
	"slices"

	"gatewright/schema/logbook"
)

// Role is what somebody is at a site.
type Role string

// The roles.
const (
	Crew       Role = "crew"
	Manager    Role = "manager"
	Contractor Role = "contractor"
	Technician Role = "technician"
	Viewer     Role = "viewer"
	Server     Role = "server"
)

// Void says whose entries a role may void or replace.
type Void string

// The answers.
const (
	VoidNone Void = "none"
	VoidOwn  Void = "own"
	VoidAny  Void = "any"
)

// Row is one role's line of the table.
type Row struct {
	Role   Role           `json:"role"`
	Writes []logbook.Kind `json:"writes"`
	Voids  Void           `json:"voids"`
	// Baselines: a reading may be recorded as the baseline.
	Baselines bool                `json:"baselines"`
	Edits     map[string][]string `json:"edits"` // plan collection to its fields
}

var daily = []logbook.Kind{
	logbook.Tick, logbook.Reading, logbook.Indication, logbook.ModeSeen, logbook.Tally, logbook.Note,
	logbook.Attachment, logbook.Fault, logbook.Fixed, logbook.Handover, logbook.Seen, logbook.Park, logbook.Event,
	logbook.Take, logbook.Handback, logbook.Void, logbook.Isolate, logbook.Taught,
}

var service = []logbook.Kind{logbook.Fitting, logbook.Visit, logbook.Sign, logbook.Survey}

var serverKinds = []logbook.Kind{logbook.Clock, logbook.Admitted, logbook.Receipt, logbook.MilkingSum}

var managerFields = map[string][]string{
	logbook.SiteCollection:   {"name", "zone", "milkings", "manual_after", "quiet_after", "lang"},
	logbook.GatesCollection:  {"name", "order", "drive", "layout", "indicators", "learning", "rates", "retired"},
	logbook.PartsCollection:  {"gate", "type", "name", "pos", "order", "retired"},
	logbook.ChecksCollection: {"gate", "part", "name", "kind", "cadence", "limits", "recheck", "minutes", "how", "cautions", "source", "order", "retired"},
	logbook.RoundsCollection: {"name", "milking", "checks", "order", "retired"},
}

func kinds(lists ...[]logbook.Kind) []logbook.Kind { return slices.Concat(lists...) }

var table = []Row{
	{Crew, kinds(daily), VoidOwn, false, nil},
	{Manager, kinds(daily, service, []logbook.Kind{logbook.Dismiss}), VoidAny, true, managerFields},
	{Contractor, kinds(daily, service), VoidOwn, true, nil},
	{Technician, nil, VoidNone, false, nil},
	{Viewer, nil, VoidNone, false, nil},
	// What a manager accepts from the quarantine is written by the server under its own id, so it may write all.
	{Server, kinds(daily, service, []logbook.Kind{logbook.Dismiss}, serverKinds), VoidAny, true, nil},
}

// Table is the whole table, for printing and for the phone; changing the copy changes nothing.
func Table() []Row {
	out := make([]Row, len(table))
	for i, r := range table {
		out[i] = Row{Role: r.Role, Writes: slices.Clone(r.Writes), Voids: r.Voids, Baselines: r.Baselines, Edits: map[string][]string{}}
		for c, f := range r.Edits {
			out[i].Edits[c] = slices.Clone(f)
		}
	}
	return out
}

func rowOf(role Role) Row {
	for _, r := range table {
		if r.Role == role {
			return r
		}
	}
	return Row{Voids: VoidNone}
}

// MayWrite says whether a role may write entries of a kind.
func MayWrite(role Role, kind logbook.Kind) bool { return slices.Contains(rowOf(role).Writes, kind) }

// MayBaseline says whether a role may record a reading as the baseline.
func MayBaseline(role Role) bool { return rowOf(role).Baselines }

// MayRecord says whether a role may write this entry, its kind and a baseline in it included. Whom it may void or
// replace is asked with MayVoid.
func MayRecord(role Role, e *logbook.Entry) bool {
	return MayWrite(role, e.Kind) && (!e.Baseline || MayBaseline(role))
}

// MayVoid says whether a role may void or replace an entry, its own or anybody's.
func MayVoid(role Role, own bool) bool {
	v := rowOf(role).Voids
	return v == VoidAny || v == VoidOwn && own
}

// MayEdit says whether a role may edit a field of the plan.
func MayEdit(role Role, collection, field string) bool {
	return slices.Contains(rowOf(role).Edits[collection], field)
}

// HoldsDocuments says whether a role has the site's documents on its device: whoever works here. Others read what the
// server makes of them.
func HoldsDocuments(role Role) bool {
	return role == Crew || role == Manager || role == Contractor
}

// OnlyServer says whether a kind is the server's alone.
func OnlyServer(kind logbook.Kind) bool { return slices.Contains(serverKinds, kind) }
