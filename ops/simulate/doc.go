// Package simulate breaks the way of an entry from a phone to the server on
// purpose, and checks that what must always hold does hold.
//
// One loop of events drives the real hub over a store in memory and a yard of
// phones. Its clock, its chance, its network and its disks come from one seed:
// there is no goroutine, no wall clock and no order of maps in it, so the same
// seed gives the same trace, and whatever was found can be found again. Frames
// take their time, and so do the answers of the store; between them links
// break, power goes, disks fill up and servers crash. From time to time all
// that stops, and the yard must come to rest with everybody level.
//
// What is checked, by number:
//
//  1. What a phone saw acknowledged is in the store, in the same bytes.
//  2. Equal heads mean equal bytes and equal projections, on nodes and phones.
//  3. Equal documents and an equal instant give the same rules, byte for byte.
//  4. Nothing that its author may not write is ever in the store.
//  5. Nothing panics.
//  6. What was called saved is on the phone after its crash, or was let go of
//     because it is stored, or is kept as not accepted.
//  7. The bytes of a stored change never change.
//  8. The same seed gives the same trace. (Checked by running a seed twice.)
//  9. Nobody is wedged: once all faults stop, everybody who is let in comes to
//     rest with nothing waiting, within a bounded number of frames.
package simulate
