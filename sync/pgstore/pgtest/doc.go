// Package pgtest starts a private PostgreSQL for tests, crash trials and
// benchmarks: from the binaries that are installed, in a folder of its own, on
// a Unix socket there and no network port, with all that keeps data safe left
// on. PostgreSQL does not run as root, so under root it runs as postgres or
// nobody.
//
// The server ends, and its folder goes away, with the process that started it,
// also when that is killed.
package pgtest
