// Package phonesim is a phone of the logbook in Go, for tests and simulation:
// the same outbox, the same month documents made offline, the same frames to
// the server and the same rules as the phone that people hold, without a
// screen, a browser or a radio.
//
// It is deterministic. It starts no goroutine, reads no clock and draws no
// random number but those it is given, and the frames it wants to send lie in
// a queue until somebody takes them. What survives a loss of power is on its
// Disk, and every step that touches the disk, or that tells the person
// something, can be the one at which the power goes.
//
// What a phone promises:
//
//   - Record returns nil only when the entry's canonical bytes are in the outbox
//     on the disk. From then on the entry is saved: it stays until the server's
//     acknowledged heads cover it, whatever crashes in between.
//   - What the server does not accept is kept and listed with the reason, and
//     nothing else that this phone wrote is held back by it: the local copy of
//     the document is dropped, found again, and the rest is recorded anew in
//     the same words. A crash at any step of that loses nothing.
//   - It never uses an actor twice: every start, and every copy begun anew,
//     writes under a fresh random one.
//   - Equal documents give equal rules, byte for byte, because the rules see
//     exactly what the documents hold.
package phonesim
