package admit

import (
	"slices"

	"gatewright/schema/logbook"
	"gatewright/schema/rights"
)

// ServerDevice is the device id of the server's own changes. It is in no table
// of devices and cannot be revoked.
const ServerDevice = "server"

// Role is what a person is at a site, as the rights table names it.
type Role = rights.Role

// Person is one grant of one person: who, as what, from when, until when. A
// person with several grants at a site appears once for each.
type Person struct {
	ID   string
	Role Role
	From int64 // ms since 1970, inclusive
	// Until is the first instant (ms) the grant no longer holds; 0 = open.
	Until int64
	// Gates and Doings limit the grant to entries that name one of these gates
	// (or nothing at a gate), and to these kinds; none limits nothing.
	Gates  []string
	Doings []string
}

// holds says whether the grant was in force at an instant.
func (p Person) holds(at int64) bool { return p.From <= at && (p.Until == 0 || at < p.Until) }

// within says whether an entry lies within what the grant is limited to. An
// entry that names a check or a part without its gate does not say where it
// belongs, so a grant for certain gates does not cover it.
func (p Person) within(e *logbook.Entry) bool {
	if len(p.Doings) > 0 && !slices.Contains(p.Doings, string(e.Kind)) {
		return false
	}
	if len(p.Gates) == 0 || e.Gate == "" && e.Check == "" && e.Part == "" {
		return true
	}
	return slices.Contains(p.Gates, e.Gate)
}

// Author is a device of a site with the people enrolled on it: everything the
// admission of its changes depends on.
type Author struct {
	Device string
	People []Person // ordered by ID, then From
	Relay  bool     // may bring the changes of other devices
	Server bool     // the server itself
	// Revoked is the instant (ms) the device was revoked; 0 = it is not. What
	// such a device wrote earlier may still arrive by way of another one.
	Revoked int64
}

// Present says whether somebody on the device has access at an instant. A device
// that nobody is enrolled on is nobody's to put out.
func (a Author) Present(at int64) bool {
	return a.Server || len(a.People) == 0 || slices.ContainsFunc(a.People, func(p Person) bool { return p.holds(at) })
}

// Reads says whether somebody on the device has a grant at an instant with
// which the site's documents are read.
func (a Author) Reads(at int64) bool {
	return slices.ContainsFunc(a.People, func(p Person) bool { return p.holds(at) && rights.HoldsDocuments(p.Role) })
}
