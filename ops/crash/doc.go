// Package crash takes the real program on real disks to pieces: it kills the built gatewright under load, fills
// the disk that its database stands on, and damages copies of its files. What must hold each time is one sentence:
// an entry that was acknowledged is there afterwards, in the same bytes, or the damage is said.
//
// The phones are those of phonesim on real sockets; each writes down what was acknowledged to it, and that list,
// in the memory of the trial, is the witness. After a kill the database is looked at, read-only, before any phone
// may connect again: phones bring back what a server lacks, and would hide a loss. Kill moments and what is
// recorded come from a seed; how the machine schedules the processes does not, so the same seed gives the same
// plan and not the same run.
//
// A kill of a process says nothing about the loss of power, since the kernel keeps what the process wrote: that the
// disk is told to sync before an answer is shown with strace in sync/sqlitestore. What is tried here is everything
// around it: recovery at start, many kills on one growing database, phones that come back, a disk that is full.
package crash
