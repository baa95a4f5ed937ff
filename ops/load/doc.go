// Command load measures sync servers side by side: the real gatewright binary over SQLite, and other servers from
// npm (folder peers), all under the same load generator, in one run. ops/bench builds what it needs and starts it.
//
// A writer is a goroutine with a WebSocket of its own; it speaks the automerge-repo protocol with the packages of
// sync, or the y-protocols messages, and writes entries as schema/logbook makes them, one operation each. A
// delivery is an entry that arrives at another subscriber's socket; its latency is taken from just before the
// writer's send to just after the receiver's read, on one clock. CPU is user and system time of the server's
// process alone, memory what Linux says of it in /proc, bytes what passes through the client's TCP sockets,
// WebSocket framing included.
//
// The clients have no throttle of their own. Those of the automerge-repo protocol keep their document's graph of
// changes and answer each message, as the protocol wants; those of the Yjs servers keep no document, and nothing is
// to be answered.
//
// Every figure is measured in the run that prints it. What could not be measured is said in the row's note.
package main
