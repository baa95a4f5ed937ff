package hub

import (
	"gatewright/sync/admit"
	"gatewright/sync/change"
)

// ConnID names a connection; later ones have greater ids.
type ConnID uint64

// Token ties the answer of the edge to what was asked for. Zero is none.
type Token uint64

// Identity is who is at the other end of a connection, as its ticket says.
type Identity struct {
	Site   string
	Device string
	Author admit.Author // of that device
	Sender string       // the peer id that a reusable ticket is bound to already; else ""
}

// Event is something that happened outside.
type Event interface{ event() }

type (
	// Opened: a connection was accepted.
	Opened struct {
		Conn     ConnID
		Identity Identity
	}
	// Frame: a connection brought a binary frame.
	Frame struct {
		Conn  ConnID
		Bytes []byte
	}
	// Closed: a connection is gone.
	Closed struct{ Conn ConnID }

	// Listed answers List.
	Listed struct {
		Documents []Document
		Held      []string // names of documents with held changes, there or not
		Err       error
	}
	// Accessed answers Access.
	Accessed struct {
		Turn    uint64
		Revoked []string // of the devices that were asked about
		Ended   []string // of them, those on which nobody has access now
		Until   int64    // end of the restore window, ms since 1970
		Err     error
	}
	// Loaded answers Load.
	Loaded struct {
		Doc     string
		Changes []StoredChange
		Held    []HeldChange
		Err     error
	}
	// Looked answers Look. Devices that the site does not have are left out.
	Looked struct {
		Token   Token
		Actors  map[change.Actor]string
		Authors map[string]admit.Author
		Err     error
	}
	// Appended answers Append.
	Appended struct {
		Token Token
		Err   error
	}
	// Kept answers Keep.
	Kept struct {
		Token Token
		Err   error
	}

	// Write asks for entries in a month's document, written by the server.
	// Those whose id is in the log already are passed over.
	Write struct {
		Token   Token
		Doc     string
		Entries [][]byte
	}
	// WritePlan asks for items and fields of the plan, written by the server.
	WritePlan struct {
		Token Token
		Items []PlanItem
	}

	// Tick passes time; it comes about once a second.
	Tick struct{}
	// Drop closes the connections of a device, or of all devices that a person
	// is enrolled on.
	Drop struct{ Device, Person string }
	// Hint: another node wrote to the document.
	Hint struct {
		Doc   string
		Heads []change.Hash
	}
	// Restore opens the restore window until an instant, ms since 1970.
	Restore struct{ Until int64 }
)

// PlanItem is one item of the plan with the fields to set; a null clears one.
// The site itself has the collection "site" and no ID.
type PlanItem struct {
	Collection, ID string
	Fields         map[string]change.Value
}

// Effect is something to be done outside, in the order given.
type Effect interface{ effect() }

type (
	// Send sends a binary frame.
	Send struct {
		Conn  ConnID
		Bytes []byte
	}
	// Close ends a connection after what was sent before.
	Close struct {
		Conn   ConnID
		Code   int
		Reason string
	}
	// List asks for the site's documents.
	List struct{}
	// Access asks which devices are revoked, and when the restore window ends.
	Access struct {
		Turn    uint64 // for the answer
		Now     int64  // ms since 1970
		Devices []string
	}
	// Load asks for a document.
	Load struct{ Doc string }
	// Look asks for the devices of actors and for the people of devices.
	Look struct {
		Token   Token
		Actors  []change.Actor
		Devices []string
	}
	// Append asks for changes to be stored.
	Append struct {
		Token Token
		Batch Batch
	}
	// Keep asks for changes to be held and refused ones to be kept, and for
	// changes of a document to be held no longer.
	Keep struct {
		Token       Token
		Held        []HeldChange
		Quarantined []Quarantined
		DocID       string
		Unheld      []change.Hash
	}
	// Done answers Write and WritePlan.
	Done struct {
		Token Token
		Err   error
	}
	// Trouble is something that the operator should see.
	Trouble struct {
		Doc string
		Err error
	}
)

func (Opened) event()    {}
func (Frame) event()     {}
func (Closed) event()    {}
func (Listed) event()    {}
func (Accessed) event()  {}
func (Loaded) event()    {}
func (Looked) event()    {}
func (Appended) event()  {}
func (Kept) event()      {}
func (Write) event()     {}
func (WritePlan) event() {}
func (Tick) event()      {}
func (Drop) event()      {}
func (Hint) event()      {}
func (Restore) event()   {}

func (Send) effect()    {}
func (Close) effect()   {}
func (List) effect()    {}
func (Access) effect()  {}
func (Load) effect()    {}
func (Look) effect()    {}
func (Append) effect()  {}
func (Keep) effect()    {}
func (Done) effect()    {}
func (Trouble) effect() {}
