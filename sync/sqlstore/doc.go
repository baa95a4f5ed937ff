// Package sqlstore is the SQL of the stores, once for every engine: changes,
// documents, held changes, quarantine, devices, leases of jobs and the sites'
// wake instants.
//
// An engine (sqlitestore, pgstore) opens the database, runs units of work and
// knows its own error codes; what is in the units is here. The statements are
// plain SQL with numbered parameters, which SQLite, PostgreSQL and the
// distributed databases that speak PostgreSQL all accept: no sequences, no
// advisory locks, no clock of the database. Conflicts are found by counting
// rows, never by the text of an error. Nothing relies on how a database orders
// text: where order is promised, it is made here.
//
// A unit may be run again from its start, so it leaves nothing behind but what
// it does in its transaction and what it sets anew each time.
package sqlstore
