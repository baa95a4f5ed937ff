// Package pgstore keeps everything that any number of server nodes hold
// together in one PostgreSQL, or in a database that speaks it: the same tables
// and the same statements (sqlstore) as the file of a single server has.
//
// What it promises: a write that returned nil is on the database's disk. Every
// connection reads back that synchronous_commit is on, and a server whose
// fsync is off is refused; a server that writes no full pages is used with a
// warning, since there are file systems on which that is sound.
//
// Changes are stored at READ COMMITTED, each unit locking its site's row first
// and reading only afterwards. Every statement then sees what was committed
// before it, and nobody else stores at the site, so two nodes that append at
// once wait for each other for the length of one append instead of failing and
// beginning again, and sites do not touch one another. Constraints, which hold
// at every level, guard the rest. Whatever goes through Write was written for a
// single writer, reading first and deciding by what it read (is this code
// spent?), so it is run SERIALIZABLE: as if each were alone. Databases that know
// only that level give it to both, and lose nothing but time.
//
// A unit that the database breaks off to keep that promise (40001, 40P01) was
// undone whole, and is run again from the start, as is one whose connection was
// lost before its commit was sent; a few times, with growing pauses of random
// length. A connection lost during the commit leaves open whether it took place:
// that is a plain error, and who asks again with the same batch does no harm.
// Errors are told apart by their codes only.
//
// A pool of connections in between (such as PgBouncer) must give each client a
// session of its own.
package pgstore
