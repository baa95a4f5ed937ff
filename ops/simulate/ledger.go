package simulate

import (
	"bytes"
	"crypto/sha256"

	"gatewright/schema/logbook"
	"gatewright/sync/hub"
)

// record is what the simulation knows of one entry.
type record struct {
	id        logbook.EntryID
	raw       string
	h         *handset // nil = the server wrote it
	at        int64    // when it was recorded, true time
	saved     bool     // the person was told so
	acked     bool     // the phone let go of it as safe
	wiped     bool     // saved on a disk that was put back to an older copy since, and acknowledged by nobody
	forbidden bool     // its author may not write it
}

func (w *world) remember(r *record) {
	w.ledger[r.id] = r
	w.order = append(w.order, r.id)
}

// forbidden says from the words alone whether a phone made something that its
// author may not write. What it cannot see was noted when it was recorded.
func forbidden(raw string) bool { return bytes.Contains([]byte(raw), []byte(notAllowed)) }

// notAllowed stands in the text of what an honest phone's person tries and
// may not.
const notAllowed = "not mine to say"

// holds reports that the store has the entry in its very bytes.
func (w *world) holds(id logbook.EntryID) bool {
	r := w.ledger[id]
	c, ok := w.mem.Entry(siteID, string(id))
	return ok && bytes.Contains(c.Bytes, []byte(r.raw))
}

// acknowledged: a phone let go of an entry, or the server was told that what
// it wrote is stored.
func (w *world) acknowledged(r *record, h *handset) {
	r.acked = true
	if !w.holds(r.id) {
		where := "the server"
		if h != nil {
			where = "phone " + string(rune('0'+h.index%10))
		}
		w.fail(1, "%s was acknowledged to %s and is not in the store", r.id, where)
	}
}

// appended looks at what the store holds of a batch after the call.
func (w *world) appended(b hub.Batch) {
	for _, c := range b.Changes {
		stored, ok := w.mem.Change(siteID, b.Doc, c.Hash)
		if !ok {
			continue
		}
		sum := sha256.Sum256(stored.Bytes)
		if old, seen := w.digests[c.Hash]; seen {
			if old != sum {
				w.fail(7, "change %s of %s has other bytes", c.Hash, b.Doc)
			}
			continue
		}
		w.digests[c.Hash] = sum
		w.allowed(b.Doc, stored)
	}
}

// allowed checks a stored change without the server's help: the simulation
// knows who recorded what.
func (w *world) allowed(doc string, c hub.StoredChange) {
	if what, bad := w.forged[c.Hash]; bad {
		if !w.opened || !believable(what) {
			w.fail(4, "a forged change is in %s: %s", doc, what)
		}
		w.count["believed_in_the_window"]++
		for _, e := range c.Entries { // from now on it is as good as any, in whatever change it comes again
			w.believed[logbook.EntryID(e.ID)] = true
		}
		return
	}
	for _, e := range c.Entries {
		id := logbook.EntryID(e.ID)
		delete(w.absent, id)
		if c.Device == logbook.Server || w.believed[id] {
			continue
		}
		r := w.ledger[id]
		if r == nil {
			r = w.unsaid(id)
		}
		switch {
		case r == nil || w.forgery[id]:
			w.fail(4, "%s is in the store, and no phone recorded it", id)
		case r.h == nil || r.h.author.Device != c.Device:
			w.fail(4, "%s is in the store as written by %s, which did not", id, c.Device)
		case !bytes.Contains(c.Bytes, []byte(r.raw)):
			w.fail(4, "%s is in the store in other words than it was recorded in", id)
		case r.forbidden:
			w.fail(4, "%s is in the store, which its author may not write: %s", id, r.raw)
		case !r.h.couldAt(e.Person, id.Time(), w.now):
			w.fail(4, "%s is in the store, of a time when %s had no access", id, e.Person)
		}
	}
	// While the restore window is open, an edit by an actor that nobody knows is
	// believed, whoever brings it: it may be a manager's.
	if doc == logbook.PlanDocument && c.Device != logbook.Server {
		for _, h := range w.phones {
			if h.author.Device == c.Device && h.role != "manager" && w.now >= w.restoreUntil+overlook {
				w.fail(4, "change %s of the plan is of phone %d, which has no manager (brought by %q)", c.Hash, h.index, c.Via)
			}
		}
	}
}

// unsaid finds an entry that went out before its phone could call it saved.
func (w *world) unsaid(id logbook.EntryID) *record {
	for _, h := range w.phones {
		if p, ok := h.disk.Parcel(id); ok {
			r := &record{id: id, raw: p.Raw, h: h, at: w.now, forbidden: forbidden(p.Raw)}
			w.remember(r)
			h.pending = append(h.pending, id)
			return r
		}
	}
	return nil
}

// overlook is how long after access has ended something may be stored that
// was judged before, in ms.
const overlook = 120_000

// couldAt reports that the person had access on this phone at an instant, as
// the entry's id gives it.
func (h *handset) couldAt(person string, at, now int64) bool {
	for _, p := range h.author.People {
		if p.ID == person && p.From <= at && (p.Until == 0 || at < p.Until || now < p.Until+overlook) {
			return true
		}
	}
	return false
}

// checkAcknowledged goes through all that was acknowledged, after a crash and
// at rest.
func (w *world) checkAcknowledged() {
	for _, id := range w.order {
		if r := w.ledger[id]; r.acked && !w.missed(id) && !w.gone[id] && !w.holds(id) {
			w.fail(1, "%s was acknowledged and is not in the store", id)
		}
	}
}

// holder is a phone that had an entry, and what had happened to its disk.
type holder struct {
	h      *handset
	damage int
}

// damage counts what can take a document's copy from a phone's disk.
func (h *handset) damage() int { return h.disk.Losses() + h.replaced*1_000_000 }

// holders are the phones that have an entry in their copy of its month.
func (w *world) holders(id logbook.EntryID) []holder {
	out := []holder{} // not nil: it is missed also when nobody has it
	for _, h := range w.phones {
		if _, ok := h.phone.Entry(id); ok && h.phone.On() && !h.shut && !h.dead && !h.disk.Condemned(id.Document()) {
			out = append(out, holder{h, h.damage()})
		}
	}
	return out
}

// missed reports that a restore took the entry and it is not back yet.
func (w *world) missed(id logbook.EntryID) bool {
	_, is := w.absent[id]
	return is
}
