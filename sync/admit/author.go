package admit

import "gatewright/schema/rights"

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
