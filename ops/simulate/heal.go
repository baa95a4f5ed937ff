package simulate

import (
	"bytes"
	"context"
	"crypto/sha256"
	"maps"
	"slices"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/replay"
)

// heal ends all faults, lets the yard come to rest, and checks everything.
func (w *world) heal() {
	w.calm, w.full = true, false
	w.heals++
	w.wrapAnew()
	if w.restored {
		w.window()
	}
	for _, n := range w.nodes {
		if n.down {
			w.revive(n, 10)
		}
	}
	for _, h := range w.phones {
		h.disk.CrashAt("", 0)
		h.disk.CrashAfter(0)
		h.disk.SetFull(false)
		h.offline, h.trying = 0, false
		h.try(10)
	}
	w.rest()
	w.checkAcknowledged()
	w.returned()
	w.checkStore()
	w.calm = false
}

// wrapAnew forgets the faults that were still to come.
func (w *world) wrapAnew() { w.wrap() }

const (
	mostRounds = 40
	// A heal may cost so many events and frames: some for every phone and
	// document, some for every entry on its way.
	eventsEach = 4000
	framesEach = 60
)

// rest lets everything under way happen, several times, with time passing in
// between, until everybody is level.
func (w *world) rest() {
	why := ""
	docs, _ := w.mem.Documents(context.Background(), siteID)
	share := len(w.phones) * (len(docs) + 3)
	events := 20_000 + eventsEach*share + 200*w.saved
	frames := 2_000 + framesEach*share + 20*w.waiting()*len(w.phones)
	framesBefore := w.frames
	for range mostRounds {
		until := w.now + max(70_000, w.p.reconcile+10*w.p.tickEvery)
		for w.busy > 0 || w.now < until {
			if events--; events < 0 {
				w.fail(9, "the yard does not come to rest: %s", w.unrest())
			}
			w.step()
		}
		if w.frames-framesBefore > frames {
			w.fail(9, "coming to rest took %d frames", w.frames-framesBefore)
		}
		if why = w.unrest(); why == "" {
			w.restored = false
			return
		}
		for _, h := range w.phones {
			if l := h.link; l != nil && slices.ContainsFunc(h.disk.Parcels(), func(p phonesim.Parcel) bool { return p.State == phonesim.Held }) {
				h.phone.Disconnect() // somebody opens the app once more
				h.link = nil
				l.leave()
				h.try(10)
			}
		}
		if w.restored { // somebody has to keep it open for so long
			w.window()
		}
	}
	w.fail(9, "%s", why)
}

// waiting counts what phones have to bring.
func (w *world) waiting() (n int) {
	for _, h := range w.phones {
		n += len(h.pending)
	}
	return n + len(w.absent)
}

// unrest says why the yard is not at rest; "" when it is.
func (w *world) unrest() string {
	docs, _ := w.mem.Documents(context.Background(), siteID)
	for _, n := range w.nodes {
		if n.down {
			return say("node %d is down", n.index)
		}
		if w.p.nodes == 1 || w.p.reconcile > 0 {
			heads := n.site.Heads()
			for _, d := range docs {
				if !slices.Equal(heads[d.Name], d.Heads) {
					return say("node %d is not level with the store in %s", n.index, d.Name)
				}
			}
		}
	}
	for _, h := range w.phones {
		if h.dead {
			continue
		}
		if !h.phone.On() {
			return say("phone %d is off", h.index)
		}
		if h.shut {
			if left := h.phone.Draining(1); len(left) > 0 {
				return say("phone %d has not handed over %s", h.index, left[0].ID)
			}
			continue
		}
		if h.link == nil {
			return say("phone %d is not connected (trying %v, off line until %d of %d)", h.index, h.trying, h.offline, w.now)
		}
		for _, p := range h.disk.Parcels() {
			if p.State == phonesim.Refused || p.State == phonesim.Held && w.mayWait(p) {
				continue
			}
			return say("%s of phone %d is %s, in the store: %v; %s %s", p.ID, h.index, p.State, w.holds(p.ID), p.Code, p.Reason)
		}
		for _, e := range h.phone.Edits() {
			if e.State == phonesim.Waiting {
				return say("an edit of %s.%s of phone %d still waits", e.Item, e.Field, h.index)
			}
		}
		for _, d := range docs {
			if !slices.Equal(h.phone.Heads(d.Name), d.Heads) {
				return say("phone %d is not level in %s", h.index, d.Name)
			}
		}
		for _, name := range h.phone.Documents() {
			if !slices.ContainsFunc(docs, func(d hub.Document) bool { return d.Name == name }) {
				return say("phone %d has %s, which the server has not", h.index, name)
			}
		}
	}
	return ""
}

// mayWait reports that a held entry waits for one that is on no disk any more
// or was not accepted.
func (w *world) mayWait(p phonesim.Parcel) bool {
	e, err := logbook.ParseEntry([]byte(p.Raw))
	if err != nil || p.Code != admit.CodeUnknownEntry {
		return false
	}
	for _, of := range []logbook.EntryID{e.Of, e.Replaces} {
		if of == "" {
			continue
		}
		if _, there := w.mem.Entry(siteID, string(of)); !there {
			return true
		}
	}
	return false
}

// returned sees what became of entries that a restore took from the store.
func (w *world) returned() {
	for _, id := range sortedKeys(w.absent) {
		if w.holds(id) {
			delete(w.absent, id)
			continue
		}
		where := ""
		for _, h := range w.phones {
			_, inDoc := h.phone.Entry(id)
			p, inBox := h.disk.Parcel(id)
			switch {
			case inBox && p.State == phonesim.Refused:
				where = "kept as not accepted"
			case inBox && p.State == phonesim.Held && w.mayWait(p):
				where = waitsForGone
			case (inDoc || inBox) && h.shut:
				if where == "" {
					where = "kept on a phone that is shut out"
				}
			case inDoc || inBox:
				where = say("on phone %d (in its copy: %v, in its outbox: %v %s %s)", h.index, inDoc, inBox, p.State, p.Code)
			}
		}
		if where == "" {
			where = w.heldSomewhere(id)
		}
		if where == "" {
			for _, x := range w.absent[id] {
				if !x.h.shut && !x.h.dead && x.damage == x.h.damage() {
					where = say("gone from phone %d, whose disk is whole,", x.h.index)
				}
			}
		}
		switch where {
		case "":
			w.count["gone_with_every_disk"]++
		case waitsForGone:
			w.count["gone_but_kept_waiting_for_one_that_is_gone"]++
		case heldFromRevoked:
			w.count["gone_but_held_from_a_revoked_phone"]++
		case "kept as not accepted":
			w.count["gone_but_kept_as_not_accepted"]++
		case "kept on a phone that is shut out":
			w.count["gone_but_kept_shut_out"]++
		default:
			w.lost++
			w.fail(1, "%s was acknowledged before a restore, is %s, and is not back in the store", id, where)
		}
		w.gone[id] = true
		delete(w.absent, id)
	}
}

// waitsForGone: it is on its phone and at the server, and voids or replaces an
// entry of another month that no disk holds any more.
const waitsForGone = "kept, and waits for an entry that is gone"

// heldFromRevoked: a phone brought it, and was revoked since. Even a restore
// window does not believe that; a manager has to look at it.
const heldFromRevoked = "held at the server, from a phone that is revoked"

// heldSomewhere says where a change with the entry waits; "" for nowhere.
func (w *world) heldSomewhere(id logbook.EntryID) string {
	_, held, _ := w.mem.Load(context.Background(), siteID, id.Document())
	for _, h := range held {
		if !bytes.Contains(h.Bytes, []byte(w.ledger[id].raw)) {
			continue
		}
		if a, ok, _ := w.mem.AuthorOf(context.Background(), siteID, h.Via); ok && a.Revoked != 0 {
			return heldFromRevoked
		}
		return "held at the server"
	}
	return ""
}

// checkStore compares the store with the phones, byte for byte.
func (w *world) checkStore() {
	ctx := context.Background()
	docs, _ := w.mem.Documents(ctx, siteID)
	w.checkBytes()
	site, err := replay.Read(ctx, w.mem, siteID)
	if err != nil {
		w.fail(2, "reading the store: %v", err)
	}
	live := slices.DeleteFunc(slices.Clone(w.phones), func(h *handset) bool { return h.shut || h.dead })
	for _, d := range docs {
		changes, held, _ := w.mem.Load(ctx, siteID, d.Name)
		slices.SortFunc(changes, func(a, b hub.StoredChange) int { return a.Hash.Compare(b.Hash) })
		w.checkHeld(d.Name, held)
		for _, h := range live {
			mine := h.phone.Changes(d.Name)
			if !slices.EqualFunc(mine, changes, func(b []byte, c hub.StoredChange) bool { return bytes.Equal(b, c.Bytes) }) {
				w.fail(2, "phone %d has equal heads of %s and other bytes", h.index, d.Name)
			}
		}
		if len(live) > 0 {
			want := live[0].phone.Projection(d.Name)
			if d.Name == logbook.PlanDocument {
				want = site.PlanJSON
			}
			for _, h := range live {
				if !bytes.Equal(h.phone.Projection(d.Name), want) {
					w.fail(2, "phone %d reads %s otherwise than the server", h.index, d.Name)
				}
			}
		}
	}
	w.checkWaiting()
	w.checkKept()
	if len(live) > 0 {
		w.checkRules(site, live[w.rng.IntN(len(live))])
	}
}

// checkBytes compares every stored change with what it was at first sight.
func (w *world) checkBytes() {
	ctx := context.Background()
	docs, _ := w.mem.Documents(ctx, siteID)
	for _, d := range docs {
		changes, _, _ := w.mem.Load(ctx, siteID, d.Name)
		for _, c := range changes {
			if sum := sha256.Sum256(c.Bytes); w.digests[c.Hash] != sum {
				w.fail(7, "change %s of %s has other bytes than when it was stored", c.Hash, d.Name)
			}
		}
	}
}

// checkHeld: what waits is not in the log already.
func (w *world) checkHeld(doc string, held []hub.HeldChange) {
	for _, h := range held {
		c, err := change.Decode(h.Bytes, change.DefaultLimits)
		if err != nil || doc == logbook.PlanDocument {
			continue
		}
		for _, op := range c.Ops {
			if _, there := w.mem.Entry(siteID, op.Key); there {
				w.fail(9, "%s is held in %s though its entry %s is in the log", h.Hash, doc, op.Key)
			}
		}
	}
}

// checkWaiting: what the store said is held is still held, or was stored since.
func (w *world) checkWaiting() {
	waits := map[change.Hash]bool{}
	docs, _ := w.mem.HeldDocuments(context.Background(), siteID)
	for _, doc := range docs {
		_, held, _ := w.mem.Load(context.Background(), siteID, doc)
		for _, h := range held {
			waits[h.Hash] = true
		}
	}
	for _, h := range slices.SortedFunc(maps.Keys(w.kept), change.Hash.Compare) {
		if _, stored := w.mem.Change(siteID, w.kept[h], h); !stored && !waits[h] {
			w.fail(1, "change %s of %s was to be held and is nowhere", h, w.kept[h])
		}
	}
}

// checkKept: what was not accepted is on its phone with a reason.
func (w *world) checkKept() {
	drained := map[string]bool{}
	for _, q := range w.mem.Quarantined(siteID) {
		for _, raw := range q.Entries {
			drained[raw] = true
		}
	}
	for _, h := range w.phones {
		h.refused = slices.DeleteFunc(h.refused, func(id logbook.EntryID) bool {
			p, there := h.disk.Parcel(id)
			switch {
			case !there && w.holds(id):
				w.acknowledged(w.ledger[id], h)
				return true
			case !there:
				w.fail(6, "%s was not accepted and is not kept on phone %d", id, h.index)
			case p.State == phonesim.Refused && p.Reason == "":
				w.fail(9, "%s is not accepted on phone %d, for no reason", id, h.index)
			case !drained[p.Raw] && !w.restoredEver():
				w.fail(6, "%s is not accepted on phone %d (%s) and no manager can see it", id, h.index, p.Reason)
			}
			return false
		})
	}
}

func (w *world) restoredEver() bool { return w.count["server_restored"] > 0 }

// checkRules compares what a phone and the server say.
func (w *world) checkRules(site *replay.Site, h *handset) {
	want := site.Engine().Evaluate(w.now).AppendJSON(nil)
	out, err := h.phone.Rules(w.now)
	if err != nil {
		w.fail(3, "the rules of phone %d: %v", h.index, err)
	}
	if got := out.AppendJSON(nil); !bytes.Equal(got, want) {
		w.fail(3, "the rules of phone %d say\n%s\nand on the server\n%s", h.index, got, want)
	}
	w.count["rules_compared"]++
}
