package phonesim

import (
	"bytes"
	"errors"
	"maps"
	"slices"

	"gatewright/schema/logbook"
)

// ErrOff is returned by a phone whose power is gone. What it was doing may or
// may not be done; what it had said was saved is.
var ErrOff = errors.New("the phone is off")

// ErrFull is returned when the phone's storage has no room for what had to be
// kept: nothing of it is kept, and an entry is not called saved.
var ErrFull = errors.New("the phone's storage is full")

// The steps at which the power can go, each before the thing is done.
const (
	StepOutbox   = "outbox"   // an entry goes into the outbox
	StepDocument = "document" // it goes into its month
	StepSaid     = "said"     // the person is told that it is saved
	StepFlush    = "flush"    // what was written late reaches the disk
	StepRelease  = "release"  // entries that the server has leave the outbox
	StepListed   = "listed"   // the server's list of documents is kept
	StepOffset   = "offset"   // the clock's correction is kept
	StepRefuse   = "refuse"   // a refusal is kept, with all that it touches
	StepDrop     = "drop"     // a local copy goes
	StepDropped  = "dropped"  // and the note that it must go
	StepDrain    = "drain"    // what was handed over when access ended is kept as such
)

// Steps lists the steps by name.
func Steps() []string {
	return []string{StepOutbox, StepDocument, StepSaid, StepFlush, StepRelease, StepListed, StepOffset, StepRefuse, StepDrop, StepDropped, StepDrain}
}

// State is how far a parcel is on its way.
type State string

// The states of a parcel.
const (
	Waiting State = "waiting" // not acknowledged yet
	Held    State = "held"    // the server has it and waits for something to confirm it
	Refused State = "refused" // not accepted; kept, and not sent again by itself
)

// Parcel is one entry in the outbox, in the exact bytes that were recorded.
type Parcel struct {
	ID       logbook.EntryID
	Raw      string
	Document string
	State    State
	Code     string // of Held and Refused
	Reason   string
}

// Disk is what a phone keeps without power. Outbox and facts are written so
// that the disk has confirmed them; documents are written late, as the
// library that keeps them on a phone does, and what is late is lost.
type Disk struct {
	parcels   map[logbook.EntryID]Parcel
	edits     []Edit
	drops     map[string]bool // copies that must go before they are opened
	listed    []string
	off       int64 // ms to add to the phone's clock
	documents map[string][][]byte

	late map[string][][]byte

	starts   int // how often a phone was started from it
	steps    int
	armed    string
	armedAt  int // counts down at the armed step
	anyAfter int // counts down at every step
	wentAt   string
	full     bool
	settled  int
	losses   int
}

// NewDisk is the disk of a phone that was never used.
func NewDisk() *Disk {
	return &Disk{
		parcels: map[logbook.EntryID]Parcel{}, drops: map[string]bool{},
		documents: map[string][][]byte{}, late: map[string][][]byte{},
	}
}

// PowerOff takes the power away: the phone that ran from this disk is dead,
// and what was written late is gone.
func (d *Disk) PowerOff() {
	if len(d.late) > 0 {
		d.losses++
	}
	d.starts++
	d.late = map[string][][]byte{}
	d.armed, d.armedAt, d.anyAfter, d.wentAt = "", 0, 0, ""
}

// CrashAt takes the power away just before the n-th of the named steps from
// now on, the first being 1.
func (d *Disk) CrashAt(step string, n int) { d.armed, d.armedAt = step, n }

// WentAt names the step at which the power last went by itself; "" = at none.
func (d *Disk) WentAt() string { return d.wentAt }

// SetFull takes the room away, or gives it back. A full disk still lets go of
// what it holds.
func (d *Disk) SetFull(full bool) { d.full = full }

// Clone copies what the disk would hold if the power went now, as a backup of
// the phone does.
func (d *Disk) Clone() *Disk {
	c := NewDisk()
	c.parcels, c.drops = maps.Clone(d.parcels), maps.Clone(d.drops)
	c.edits, c.listed, c.off = slices.Clone(d.edits), slices.Clone(d.listed), d.off
	for doc, chunks := range d.documents {
		c.documents[doc] = slices.Clone(chunks) // chunks never change
	}
	return c
}

// StartsAfter says that this copy takes another disk's place in its phone: what
// ran from that one is not what will run from this.
func (d *Disk) StartsAfter(o *Disk) { d.starts = max(d.starts, o.starts) + 1 }

// Condemned reports that the copy of a document is about to go.
func (d *Disk) Condemned(doc string) bool { return d.drops[doc] }

// Parcel gives one parcel of the outbox.
func (d *Disk) Parcel(id logbook.EntryID) (Parcel, bool) {
	p, ok := d.parcels[id]
	return p, ok
}

// Losses counts how often the power went before what was written late had
// reached the disk.
func (d *Disk) Losses() int { return d.losses }

// Settled counts how often something in the outbox came to rest: let go of, or
// kept as not accepted.
func (d *Disk) Settled() int { return d.settled }

// CrashAfter takes the power away just before the n-th step of any kind from
// now on; 0 takes that back.
func (d *Disk) CrashAfter(n int) { d.anyAfter = n }

// StepsDone counts the steps since the disk was new.
func (d *Disk) StepsDone() int { return d.steps }

// Parcels lists the outbox, by entry id.
func (d *Disk) Parcels() []Parcel {
	out := make([]Parcel, 0, len(d.parcels))
	for _, id := range slices.Sorted(maps.Keys(d.parcels)) {
		out = append(out, d.parcels[id])
	}
	return out
}

// step is called before every step. start says which phone asks.
func (d *Disk) step(start int, name string) error {
	if start != d.starts {
		return ErrOff
	}
	d.steps++
	off := false
	if d.armed == name {
		d.armedAt--
		off = d.armedAt == 0
	}
	if d.anyAfter > 0 {
		d.anyAfter--
		off = off || d.anyAfter == 0
	}
	if off {
		d.PowerOff()
		d.wentAt = name
		return ErrOff
	}
	if d.full && slices.Contains(growing, name) {
		return ErrFull
	}
	return nil
}

// growing are the steps that need room.
var growing = []string{StepOutbox, StepFlush, StepListed, StepOffset, StepRefuse, StepDrain}

func (d *Disk) writeLate(doc string, chunk []byte) {
	d.late[doc] = append(d.late[doc], bytes.Clone(chunk))
}

func (d *Disk) flush() {
	for doc, chunks := range d.late {
		d.documents[doc] = append(d.documents[doc], chunks...)
	}
	d.late = map[string][][]byte{}
}

// names lists the documents of which there is a copy.
func (d *Disk) names() []string { return slices.Sorted(maps.Keys(d.documents)) }
