// Package admit decides whether one incoming change may become part of a
// document: who made it, who brings it, what it holds, and whether it hangs
// together with what is there.
//
// It is a set of pure functions: no I/O, no clock, no state of its own. What
// a judgement rests on besides the change is asked through Knowledge, which
// answers from memory. Nothing that gets through can break a client: every
// object and predecessor it names exists among its ancestors, its number and
// operation counters continue those before it, and of its log entries each is
// new and stands whole under its own id.
//
// There are three verdicts. A change that breaks a rule is refused, and so is
// one that its own author brings without the right to make it. A change of
// another author than the one who brings it is held until it is confirmed:
// refusing it would stop every phone that helps a restored server back to its
// feet.
package admit

// ServerMessage is the message of every change the server writes. It proves
// nothing; it makes such a change recognisable as one of another author when a
// phone brings it back.
const ServerMessage = "gatewright server"

// The codes of a verdict that is not Admitted, one per thing that can be wrong.
const (
	CodeKind         = "kind"          // a kind of entry that is unknown, or the server's alone
	CodeBy           = "by"            // the person is not on the device, or had no grant then
	CodeDev          = "dev"           // the device is another's, or is not known
	CodeKey          = "key"           // the key is no entry id, or not that of its entry
	CodeMonth        = "month"         // the id belongs to another month's document
	CodeEntry        = "entry"         // the value is not a canonical entry
	CodeTaken        = "taken"         // the entry id is in use
	CodeRights       = "rights"        // the person's role does not allow it
	CodeUnknownEntry = "unknown-entry" // the entry to be voided is not here
	CodeField        = "field"         // the plan has no such field, or the value does not fit
	CodeObject       = "object"        // an object that must not be touched or made
	CodePred         = "pred"          // a predecessor that is not there or must not be named
	CodeDelete       = "delete"        // nothing is ever deleted
	CodeSeq          = "seq"           // the actor's changes do not follow one another
	CodeStartOp      = "start-op"      // operation counters do not follow the dependencies
	CodeDeps         = "deps"          // too many changes wait for their dependencies
	CodeActor        = "actor"         // the actor belongs to another device
	CodeExtra        = "extra"         // unknown bytes after the columns
	CodeDecode       = "decode"        // not a change in its one form
	CodeSize         = "size"          // larger than allowed
	CodeDepends      = "depends"       // descends from a change that is refused or held
	CodeRevoked      = "revoked"       // the device that brings it is revoked
)
