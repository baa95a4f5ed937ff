// Package storetest is the contract every store must keep, as tests: Run for
// each promise of hub.Store by itself, Agree for two stores that must decide
// alike whatever comes. Faulty wraps a store for tests of what stands above it.
package storetest

import (
	"gatewright/sync/admit"
	"gatewright/sync/hub"
)

// TB is the part of testing.TB that rapid has as well.
type TB interface {
	Helper()
	Fatalf(format string, args ...any)
}

// Backend is a store under test, with the doors to it that hub.Store does not
// have.
type Backend struct {
	Store hub.Store
	// PutSite adds a site.
	PutSite func(t TB, site string)
	// PutDevice adds a device, its people and their grants.
	PutDevice func(t TB, site string, a admit.Author)
	// Revoke revokes a device at an instant (ms).
	Revoke func(t TB, site, device string, at int64)
	// Wake gives a site's wake instant (ms); false when it has none.
	Wake func(t TB, site string) (int64, bool)
	// Quarantined lists a site's quarantine in any order.
	Quarantined func(t TB, site string) []hub.Quarantined
	// Pack packs a document and reports whether there was something to pack;
	// nil for a store that does not pack.
	Pack func(t TB, site, doc string) bool
	// Reopen closes the store and opens what it left behind; nil for a store
	// that leaves nothing.
	Reopen func(t TB) hub.Store
}
