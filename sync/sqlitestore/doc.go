// Package sqlitestore keeps everything a server holds in one SQLite file:
// changes, people, devices and what belongs to them.
//
// What it promises: a write that returned nil is on the disk. Every connection
// is opened with journal_mode WAL, synchronous FULL and foreign_keys on, and
// reads those settings back before it is used; a database that answers
// otherwise is not opened. One goroutine writes. It takes all that waits into
// one transaction, each piece in a savepoint of its own, so that many writers
// share one sync of the disk and a piece that fails leaves the others alone.
// Readers have their own connections, see only what was committed, and never
// wait for the writer.
//
// What is written and read is in sqlstore; opening, the settings, the sharing of
// commits and the error codes are here.
package sqlitestore
