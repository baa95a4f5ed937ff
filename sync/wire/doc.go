// Package wire reads and writes what phones and the hub say to each other:
// the messages of the automerge-repo WebSocket protocol, version 1 (one CBOR
// map per binary frame), the sync payload inside them (type byte 0x42), its
// Bloom filters, and document ids.
//
// Everything here faces the network. The contract is: no byte string makes a
// function panic, loop or allocate more than a small multiple of its own
// length; whatever is refused is refused with an *Error that names the field;
// whatever is accepted can be handed to the reference implementation without
// harm to it. What a change inside a payload means is not looked at here.
//
// The package never sends a capability tail after a payload. A peer that sees
// none stays on version 1 of the sync protocol and sends single changes, each
// of which can be checked; with a tail it would send whole documents.
package wire
