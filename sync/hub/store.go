package hub

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"gatewright/sync/admit"
	"gatewright/sync/change"
)

// StoredChange is one admitted change as the store keeps it. Bytes never
// change once stored.
type StoredChange struct {
	Hash       change.Hash
	Actor      change.Actor
	Seq        uint64
	Deps       []change.Hash
	Bytes      []byte
	ReceivedAt int64      // ms since 1970
	Device     string     // the author's device; admit.ServerDevice for the server
	Via        string     // the device that brought it, when that is not the author's; else ""
	Entries    []EntryRow // the log entries it adds; Load gives them ordered by ID
}

// EntryRow is the part of a log entry the store looks after: an id, unique at
// the site, and who is named as its author.
type EntryRow struct {
	ID     string
	Person string
}

// Batch is a set of changes to one document that is stored whole or not at
// all. The changes may stand in any order, but what they depend on is in the
// batch or already stored.
type Batch struct {
	Site    string
	Doc     string // name, such as log/2026-03
	DocID   string
	Changes []StoredChange
	Now     int64 // ms since 1970
}

// HeldChange is a change of a foreign author that waits to be confirmed.
type HeldChange struct {
	Doc          string
	DocID        string
	Hash         change.Hash
	Bytes        []byte
	AuthorDevice string
	Via          string // the device that brought it
	Code         string // why it waits
	At           int64  // ms since 1970
}

// Quarantined is what was refused and is kept for a manager to look at. Its
// reason may repeat what a hostile peer sent: its texts are kept as Text gives
// them.
type Quarantined struct {
	ID      string
	Doc     string
	Hash    change.Hash // zero when entries came without a change
	Device  string
	Person  string // "" when unknown
	Code    string
	Reason  string
	Bytes   []byte
	Entries []string // raw entries, as received
	At      int64    // ms since 1970
}

// Text is s as every store can keep it, in UTF-8 and without zero bytes; what
// is neither becomes U+FFFD.
func Text(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
}

// Document is a document the store holds, with its heads in ascending order.
type Document struct {
	Name  string
	ID    string
	Heads []change.Hash
}

// The codes of a StoreError.
const (
	StoreRevoked = "revoked" // the device that brings the change is revoked
	StoreDevice  = "device"  // that device is not one of the site
	StoreSeq     = "seq"     // another change has this actor's number
	StoreActor   = "actor"   // the actor belongs to another device of the site
	StoreTaken   = "taken"   // the entry id is in use at the site
	StoreDeps    = "deps"    // a change it depends on is not stored
	StoreSite    = "site"    // there is no such site
)

// StoreError says why a batch was refused. Nothing of the batch is stored, and
// the same batch would be refused again. Any other error of a store is a
// failure of the store, and then the batch may or may not be there: whoever
// asks again with the same batch does no harm.
type StoreError struct {
	Code  string
	Hash  change.Hash // the change at fault; zero for StoreSite
	Entry string      // the entry at fault, for StoreTaken
}

func (e *StoreError) Error() string {
	switch e.Code {
	case StoreRevoked:
		return "the device is revoked"
	case StoreDevice:
		return "the device is not one of this site"
	case StoreSeq:
		return fmt.Sprintf("seq: another change has the number of change %s", e.Hash)
	case StoreActor:
		return fmt.Sprintf("actor: the actor of change %s belongs to another device", e.Hash)
	case StoreTaken:
		return fmt.Sprintf("id: entry id %s is already in use", e.Entry)
	case StoreDeps:
		return fmt.Sprintf("deps: change %s depends on a change that is not stored", e.Hash)
	case StoreSite:
		return "there is no such site"
	}
	return "refused: " + e.Code
}

// What may be in the error of a store that failed, for those who can say something better than that it did.
var (
	// ErrFull: there was no room. Nothing was stored; reading goes on as before.
	ErrFull = errors.New("the disk is full")
	// ErrAway: the database has a server of its own, and that does not answer for now.
	ErrAway = errors.New("the database does not answer")
)

// Store keeps changes, and beside them what waits and what was refused. A call
// that returns nil is durable: it survives the loss of power.
type Store interface {
	// Load gives a document's changes and its held changes, both in any
	// order. A document the store lacks has neither, and that is no error.
	Load(ctx context.Context, site, doc string) ([]StoredChange, []HeldChange, error)

	// Append stores a batch in one transaction. A change already stored in
	// the document is passed over. For the others, checked in the order of
	// the batch: the device that brings it (Via, else Device) is of the site
	// and not revoked; the actor's number is free in the document; the actor
	// is new at the site or bound to the same Device; the entry ids are free
	// at the site; and, once all are in, their dependencies are stored. The
	// first that fails refuses the batch with a *StoreError. Otherwise the
	// document's heads are updated, the changes leave the held ones, and the
	// site's wake instant becomes b.Now.
	//
	// A context that ends before the batch was started means that it is not
	// stored; one that ends later changes nothing.
	Append(ctx context.Context, b Batch) error

	// Hold keeps changes that wait. One already held or already stored is
	// passed over.
	Hold(ctx context.Context, site string, held []HeldChange) error

	// Unhold lets go of held changes of a document that will never be stored.
	// One that is not held is passed over.
	Unhold(ctx context.Context, site, docID string, hashes []change.Hash) error

	// Quarantine keeps what was refused. An ID already there is passed over.
	Quarantine(ctx context.Context, site string, q []Quarantined) error

	// HeldDocuments names the documents of a site that have held changes, in
	// order. Such a document need not be there otherwise.
	HeldDocuments(ctx context.Context, site string) ([]string, error)

	// Documents lists the documents of a site, ordered by name.
	Documents(ctx context.Context, site string) ([]Document, error)

	// ActorDevices gives the device each actor is bound to at the site;
	// actors never seen are left out.
	ActorDevices(ctx context.Context, site string, actors []change.Actor) (map[change.Actor]string, error)

	// AuthorOf gives a device of the site with its people, also when it is
	// revoked; false when the site has no such device.
	AuthorOf(ctx context.Context, site, device string) (admit.Author, bool, error)
}

// In does what Keep asks for.
func (k Keep) In(ctx context.Context, store Store, site string) error {
	if len(k.Held) > 0 {
		if err := store.Hold(ctx, site, k.Held); err != nil {
			return err
		}
	}
	if len(k.Quarantined) > 0 {
		if err := store.Quarantine(ctx, site, k.Quarantined); err != nil {
			return err
		}
	}
	if len(k.Unheld) > 0 {
		return store.Unhold(ctx, site, k.DocID, k.Unheld)
	}
	return nil
}

// In does what List asks for.
func (List) In(ctx context.Context, store Store, site string) Listed {
	documents, err := store.Documents(ctx, site)
	if err != nil {
		return Listed{Err: err}
	}
	held, err := store.HeldDocuments(ctx, site)
	if err != nil {
		return Listed{Err: err}
	}
	return Listed{Documents: documents, Held: held}
}
