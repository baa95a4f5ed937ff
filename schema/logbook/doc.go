// Package logbook holds what the whole system is about: the entries of the
// log, the plan of a site, and their ids. Its types are the words that every
// other package uses, so the tour of the house starts here.
//
// # What there is
//
// A site has two kinds of Automerge document. The plan says what it should do:
// gates made of parts, checks with cadence and limits, rounds. A log document
// for each month (log/2026-11) is a flat map from entry id to one string, the
// entry's canonical JSON, written once and never changed; what was wrong is
// voided or replaced by a later entry, which may only name an earlier one.
// Nobody's name is in a document: entries carry ids, and the names behind them
// can be erased.
//
// # What means something: schema
//
//   - canon: strict JSON and its one canonical form (RFC 8785), so that equal
//     entries are equal bytes.
//   - num: exact decimals, and functions with the same bits on every platform.
//   - logbook: this package.
//   - cadence: when things fall due in a site's own time zone.
//   - rules: plan, entries and an instant give flags, the due list,
//     completion, and the instant at which any of that changes next.
//   - rights: who may write which kind and edit which field, as one table.
//   - entryschema: the JSON Schemas of entries and plan, for others.
//
// All of it is pure: no clock, no randomness, no I/O. What a phone links
// (canon, num, logbook, cadence, rules) also keeps fmt, encoding/json and
// reflect out.
//
// # What moves: sync
//
//   - change reads and writes one Automerge change; wire reads and writes the
//     messages; graph keeps which changes there are and what a peer lacks;
//     fold makes the plan and its conflicts out of changes; crdt hands checked
//     changes to the native library, for export and as the tests' oracle.
//   - admit judges one change: is it well formed, do its entries parse, may
//     its author write them.
//   - hub is a step machine (event and instant in, effects out) that receives,
//     has judged, stores, acknowledges and passes on.
//   - sqlitestore and memstore keep what storetest demands of a store; replay
//     reads it back as plan and entries.
//
// # Where people meet it: api and clients
//
// api/gatewright is the one binary, api/httpapi what it serves, api/accounts
// people, devices and grants, api/auth their tokens. clients/phone is the app;
// clients/ruleswasm puts the rules into it, and clients/phonesim is a phone in
// Go for the stories and soaks in ops.
//
// # One tap's way through
//
// Somebody wipes a lens and taps it.
//
//  1. The phone makes an entry of kind tick: its id (NewEntryID) is the moment
//     of recording by the phone's corrected clock, at is when it was done. Its
//     canonical bytes go to the outbox on the phone's disk. From here it is
//     saved, and says so.
//  2. The bytes become one operation in the month's document (EntryID.Document
//     names it, DocID is the same on every phone). The rules run again on the
//     phone, and the lens leaves the due list; no server was needed.
//  3. When there is a link, the change travels as it is. The hub decodes it,
//     admit reads the entry (ParseEntry) and asks rights, the store writes it
//     durably, and only then is it acknowledged: the outbox lets go, and the
//     entry is safe.
//  4. The hub passes the author's own bytes to the other phones and wakes the
//     rules on the server. Same plan, same entries, same instant: the same
//     flags and due list everywhere, byte for byte.
//  5. Until the next instant that the rules named, nobody computes anything.
//
// What is refused on the way is answered with a reason and kept for a manager;
// the phone shows it as not accepted, and the rest of its work goes through.
//
// # Reading and writing
//
// ParseEntry and ParsePlan are the only ways in. They are strict, and what
// they refuse is a Problem: one field, one sentence. Entry.Encode is the way
// out. Instants are milliseconds since 1970-01-01T00:00:00Z throughout, and
// quantities that decide something are num.Micro.
package logbook
