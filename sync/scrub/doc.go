// Package scrub looks through a database of documents for damage: what is
// stored must still be what was admitted, and hang together. It reads, and
// changes nothing.
//
// For each document it hashes and strictly decodes every change, and holds the
// result against all that stands beside it: the row's own columns, the
// dependencies, the numbers of each actor, the actor's device, the rows of
// entries in both directions, the heads. The plan is folded. Held changes and
// refused records are read as the hub and the manager's page would read them.
//
// Each document is looked at in one moment of the database, so that a server
// may go on writing meanwhile. Changes stream by: what is kept of a document
// is its hashes and counters, of the plan its operations, and of a packed month
// its pack. Nothing is kept from one document to the next.
package scrub

import (
	"context"
	"database/sql"
	"fmt"
)

// Source is a database that can be looked through.
type Source interface {
	// Snapshot runs fn on one moment of the database. fn must not write.
	Snapshot(ctx context.Context, fn func(ctx context.Context, tx *sql.Tx) error) error
	// Integrity has the engine look at itself and gives a sentence for each
	// thing that it finds wrong.
	Integrity(ctx context.Context) ([]string, error)
}

// Remembering is a Source that remembers outside the database how much was
// stored in it.
type Remembering interface {
	// Behind is how many batches of changes are known to be missing.
	Behind() uint64
}

// Code is a kind of damage.
type Code string

// The kinds, one for each thing that is looked at.
const (
	Engine     Code = "engine"     // the database engine finds its file or its references damaged
	Missing    Code = "missing"    // batches were stored that are no longer there
	Unreadable Code = "unreadable" // the engine could not read the rows
	Name       Code = "name"       // the document's name and id do not belong together
	Hash       Code = "hash"       // the bytes of a change have another hash
	Decode     Code = "decode"     // the bytes are no change
	Columns    Code = "columns"    // the columns beside the bytes say something else
	Content    Code = "content"    // the change holds what the document may not hold
	Deps       Code = "deps"       // a dependency is not there
	Counters   Code = "counters"   // operations do not count on from the dependencies
	Seq        Code = "seq"        // an actor's numbers have a gap
	Actor      Code = "actor"      // the actor is not bound to the device that is stored with the change
	EntryRow   Code = "entry-row"  // an entry has no row, or the row says something else
	NoEntry    Code = "no-entry"   // a row of entries has no entry
	Heads      Code = "heads"      // the heads are not those that the changes give
	Pack       Code = "pack"       // a closed month's pack is damaged, or is not of the rows beside it
	Plan       Code = "plan"       // the plan cannot be folded
	Held       Code = "held"       // a held change cannot be read, or is stored as well
	Quarantine Code = "quarantine" // a refused record cannot be read
)

// What to do about a finding.
const (
	phones = "A phone that holds this document puts it right when it connects; if none does, restore a backup."
	author = "The phone that made it brings it again when it connects, any phone while a restore window is open; if none does, restore a backup."
	backup = "Restore a backup."
	window = "Phones bring back what they have when they connect, sooner in a restore window; restore a backup if it is newer."
)

// Finding is one thing that is wrong.
type Finding struct {
	Code     Code
	Site     string // slug; "" = the whole database
	Document string // name; "" = none in particular
	Change   string // hash; "" = none in particular
	Wrong    string // a clause
	Remedy   string // a sentence
}

// String is the finding in one line.
func (f Finding) String() string {
	s := ""
	for _, part := range []string{f.Site, f.Document} {
		if part != "" {
			s += part + ", "
		}
	}
	if f.Change != "" {
		s += "change " + f.Change + ", "
	}
	if s != "" {
		s = s[:len(s)-2] + ": "
	}
	return s + f.Wrong + ". " + f.Remedy
}

// Summary counts what was looked at.
type Summary struct {
	Sites, Documents, Packs, Changes, Entries, Held, Refused, Findings int
}

func (s Summary) String() string {
	found := "nothing wrong"
	if s.Findings > 0 {
		found = count(s.Findings, "finding")
	}
	return fmt.Sprintf("%s, %s (%d packed), %s, %d entries, %d held, %d refused: %s", count(s.Sites, "site"), count(s.Documents, "document"),
		s.Packs, count(s.Changes, "change"), s.Entries, s.Held, s.Refused, found)
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// Options of Check.
type Options struct {
	Site   string        // slug of the one site to look at; "" = all
	Report func(Finding) // is given each finding
	// Told is told how many documents of a site are done; may be nil.
	Told func(site string, done, of int)
}
