// Package hub is where the phones of a site meet: it receives their changes,
// has each judged, stores what is admitted, acknowledges it and passes it on.
//
// The heart is Site, a step machine: Step takes an event and an instant and
// gives the effects that follow. It starts no goroutine, does no I/O, reads no
// clock and draws no random number, so the same events give the same effects,
// byte for byte, and a fault that was seen once can be seen again. Runner is
// its edge: one goroutine for each site somebody is connected to, sockets and
// a Store around it.
//
// What holds:
//
//   - Nothing is acknowledged and nothing is passed on before the store has
//     said that it is durable.
//   - No change that is not admitted reaches another peer, and the chunk that
//     does is the author's, byte for byte.
//   - A change that is refused or held costs the peer that brought it a bounded
//     number of messages, and nobody else any. That peer goes on getting what
//     others write, and what it sends later is taken as far as it does not
//     descend from such a change.
//   - When the store fails, nothing of the message is acknowledged, the peers of
//     the document are asked to come again, and what is in memory is forgotten.
//
// The hub decodes changes in Go and never loads a document into the native
// library.
package hub
