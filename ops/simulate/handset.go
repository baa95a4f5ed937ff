package simulate

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/storetest"
)

// handset is a phone in somebody's hand.
type handset struct {
	w      *world
	index  int
	author admit.Author // as enrolment wrote it
	role   admit.Role   // of its people; "" of a box that only relays

	hostile bool
	cfg     phonesim.Config
	disk    *phonesim.Disk
	phone   *phonesim.Phone
	skew    int64 // ms its clock is ahead
	noted   int64 // the offset last written to the log

	offline int64 // until when it has no link
	link    *link
	shut    bool // not let in any more: it only hands over
	dead    bool // given up: somebody else has its place
	acting  bool

	pending  []logbook.EntryID // called saved, not acknowledged
	refused  []logbook.EntryID // kept as not accepted
	copies   []*phonesim.Disk
	trying   bool
	replaced int // how often its disk was
	attempt  int // the one that counts
	flushing bool
	recent   []logbook.EntryID // own entries, to be corrected
}

func (w *world) id(kind string, n int) [9]byte {
	sum := sha256.Sum256(fmt.Appendf(nil, "%d %s %d", w.cfg.Seed, kind, n))
	return [9]byte(sum[:9])
}

func (w *world) person(role admit.Role, from int64) admit.Person {
	w.people++
	return admit.Person{ID: logbook.NewPersonID(w.id("person", w.people)), Role: role, From: from}
}

func (w *world) enrolAll() {
	roles := []admit.Role{"manager", "crew", "contractor"}
	for i := range w.p.phones {
		role := admit.Role("crew")
		if i < len(roles) {
			role = roles[i]
		} else if w.rng.IntN(4) == 0 {
			role = "manager"
		}
		w.enrol(role, false)
	}
	for range w.p.relays {
		w.enrol("", true)
	}
	for range w.p.hostiles {
		w.enrol("crew", false).hostile = true
	}
}

// enrol puts a new phone into the yard.
func (w *world) enrol(role admit.Role, relay bool) *handset {
	i := len(w.phones)
	device := logbook.NewDeviceID(w.id("device", i))
	h := &handset{w: w, index: i, role: role, author: admit.Author{Device: device, Relay: relay}, disk: phonesim.NewDisk()}
	if role != "" {
		since := int64(longAgo)
		if w.rng.IntN(5) == 0 {
			since = w.now
		}
		for range 1 + w.rng.IntN(2) {
			h.author.People = append(h.author.People, w.person(role, since))
		}
	}
	own := rand.NewChaCha8(sha256.Sum256(fmt.Appendf(nil, "%d phone %d", w.cfg.Seed, i)))
	h.cfg = phonesim.Config{Site: siteID, Device: device,
		Clock: func() int64 { return w.now + h.skew }, Random: func(b []byte) { _, _ = own.Read(b) }}
	w.phones = append(w.phones, h)
	w.put2(h)
	h.start()
	return h
}

// put2 writes the device with its people into the store.
func (w *world) put2(h *handset) {
	if err := w.mem.PutDevice(siteID, h.author); err != nil {
		w.fail(5, "enrolling: %v", err)
	}
}

// start switches the phone on, as often as the power goes while it starts.
func (h *handset) start() {
	w := h.w
	for {
		p, err := phonesim.Open(h.cfg, h.disk)
		if err == nil {
			h.phone = p
			break
		}
		if !errors.Is(err, phonesim.ErrOff) {
			w.fail(6, "phone %d does not start: %v", h.index, err)
		}
		w.count["phone_crash_"+h.disk.WentAt()]++
	}
	h.afterCrash()
	h.try(w.between(1, 2000))
}

// afterCrash checks that what was called saved is still there.
func (h *handset) afterCrash() {
	w := h.w
	for _, id := range h.pending {
		r := w.ledger[id]
		if !r.saved {
			continue
		}
		if p, ok := h.disk.Parcel(id); ok && p.Raw != r.raw {
			w.fail(6, "%s on phone %d has other bytes after a crash", id, h.index)
		} else if !ok && !w.holds(id) {
			w.fail(6, "%s was called saved on phone %d and is gone after a crash", id, h.index)
		}
	}
	// What a crash kept from being called saved may be there all the same.
	for _, p := range h.disk.Parcels() {
		if w.ledger[p.ID] == nil {
			w.remember(&record{id: p.ID, raw: p.Raw, h: h, at: w.now, forbidden: forbidden(p.Raw)})
			h.pending = append(h.pending, p.ID)
		}
	}
	h.look()
}

// touch is called after everything that a phone did: it takes what it wants to
// send, and sees whether it is still on.
func (h *handset) touch() {
	w := h.w
	if !h.phone.On() {
		h.wentOff()
		return
	}
	if l := h.link; l != nil {
		for _, frame := range h.phone.Outgoing() {
			l.sendUp(frame)
		}
		if !h.phone.Connected() { // it wants to begin anew
			h.link = nil
			l.leave()
		}
	}
	h.try(w.between(20, 3000))
	if !h.flushing {
		h.flushing = true
		p := h.phone
		w.after(100, "flush", h.index, func() {
			h.flushing = false
			if h.phone == p && p.On() {
				if err := p.Flush(); err != nil && !errors.Is(err, phonesim.ErrFull) {
					h.wentOff()
				}
			}
		})
	}
}

// wentOff: the power is gone. It comes back.
func (h *handset) wentOff() {
	w := h.w
	if at := h.disk.WentAt(); at != "" {
		w.count["phone_crash_"+at]++
	}
	if l := h.link; l != nil {
		h.link = nil
		l.lost()
	}
	p := h.phone
	w.after(w.between(100, 60_000), "start", h.index, func() {
		if h.phone == p {
			h.start()
		}
	})
}

// look sees what became of the entries that wait.
func (h *handset) look() {
	w := h.w
	h.pending = slices.DeleteFunc(h.pending, func(id logbook.EntryID) bool {
		p, there := h.disk.Parcel(id)
		switch {
		case !there:
			w.acknowledged(w.ledger[id], h)
			return true
		case p.State == phonesim.Refused:
			h.refused = append(h.refused, id)
			return true
		}
		return false
	})
}

func (h *handset) receive(frame []byte) {
	w := h.w
	if !h.phone.On() {
		return
	}
	before := h.disk.Settled()
	err := h.phone.Receive(frame)
	if h.phone.On() && h.disk.Settled() != before {
		h.look()
	}
	if err != nil && h.phone.On() {
		// The frame was of no use, or the phone had no room: it begins anew.
		w.count["phone_hung_up"]++
		if l := h.link; l != nil {
			h.phone.Disconnect()
			h.link = nil
			l.leave()
		}
	}
	h.touch()
}

// hungUp: the connection is no more.
func (h *handset) hungUp(code int) {
	w := h.w
	h.link = nil
	if h.phone.On() {
		h.phone.Disconnect()
		h.try(w.between(20, 5000))
	}
	_ = code
}

// try has the phone connect in a moment, unless it is at it.
func (h *handset) try(ms int64) {
	w := h.w
	if h.trying || h.link != nil || h.dead {
		return
	}
	h.trying = true
	h.attempt++
	this := h.attempt
	do := func() {
		if h.attempt == this {
			h.trying = false
			h.connect()
		}
	}
	if wait := h.offline - w.now; wait > 0 {
		w.later(wait+ms, "connect", h.index, do)
	} else if h.shut && len(h.phone.Draining(1)) == 0 {
		h.trying = false
	} else {
		w.after(ms, "connect", h.index, do)
	}
}

// connect is what the API does before a socket is opened: it looks at the
// device, tells it the time, and notes a clock that is in doubt, or was.
func (h *handset) connect() {
	w := h.w
	if h.link != nil || !h.phone.On() || h.dead {
		return
	}
	if h.offline > w.now {
		h.try(1)
		return
	}
	n := w.nodes[w.rng.IntN(len(w.nodes))]
	if n.down {
		h.try(w.between(500, 5000))
		return
	}
	author, ok, err := w.mem.AuthorOf(context.Background(), siteID, h.author.Device)
	if err != nil || !ok {
		w.fail(9, "phone %d is not known: %v", h.index, err)
	}
	here := slices.ContainsFunc(author.People, func(p admit.Person) bool { return p.From <= w.now && (p.Until == 0 || w.now < p.Until) })
	if author.Revoked != 0 || !here && !author.Relay {
		h.shut = true
		h.drain()
		return
	}
	h.clock(n)
	if n.down {
		h.try(w.between(500, 5000))
		return
	}
	if err := h.phone.Connect(w.now - w.between(0, 300)); err != nil {
		h.touch()
		return
	}
	w.lastConn++
	l := newLink(w.lastConn, h, n)
	h.link, n.links[l.id] = l, l
	l.up.put("opened", func() {
		n.step(hub.Opened{Conn: l.id, Identity: hub.Identity{Site: siteID, Device: author.Device, Author: author}})
	})
	h.touch()
}

// clock notes a phone's clock that is in doubt, or was.
func (h *handset) clock(n *node) {
	const doubt = 120_000
	w := h.w
	offset := -h.skew
	if (max(offset, -offset) >= doubt) == (max(h.noted, -h.noted) >= doubt) {
		return
	}
	var random [10]byte
	for i := range random {
		random[i] = byte(w.rng.Uint32())
	}
	e := logbook.Entry{ID: logbook.NewEntryID(w.now, random), Kind: logbook.Clock, Device: h.author.Device, Offset: offset,
		At: w.now, By: logbook.Server, Dev: logbook.Server}
	raw, err := e.Encode()
	if err != nil {
		w.fail(5, "writing a clock's offset: %v", err)
	}
	n.write(func(t hub.Token) hub.Event {
		return hub.Write{Token: t, Doc: e.ID.Document(), Entries: [][]byte{raw}}
	}, func(err error) {
		if err == nil {
			h.noted = offset
			w.remember(&record{id: e.ID, raw: string(raw), at: w.now})
			w.acknowledged(w.ledger[e.ID], nil)
		}
	})
}

// drain hands over what a phone still holds whose access has ended.
func (h *handset) drain() {
	w := h.w
	parcels := h.phone.Draining(100)
	if len(parcels) == 0 {
		return
	}
	p := h.phone
	w.after(w.lag(), "drain", h.index, func() {
		again := func() { h.try(w.between(500, 8000)) }
		if !w.calm && w.chance(w.p.loss*10) {
			w.count["drain_lost"]++
			again()
			return
		}
		var rows []hub.Quarantined
		var ids []logbook.EntryID
		for _, parcel := range parcels {
			sum := sha256.Sum256([]byte(h.author.Device + "\n" + parcel.Raw))
			rows = append(rows, hub.Quarantined{ID: hex.EncodeToString(sum[:16]), Device: h.author.Device, Code: "revoked",
				Reason: "The device was revoked before this reached the server.", Entries: []string{parcel.Raw}, At: w.now})
			ids = append(ids, parcel.ID)
		}
		if !w.calm && (w.full || w.chance(w.p.storeError)) {
			w.store.Fail(storetest.Fault{Method: "Quarantine", After: w.rng.IntN(2) == 0})
		}
		if err := w.store.Quarantine(context.Background(), siteID, rows); err != nil {
			again()
			return
		}
		w.count["drained"] += len(rows)
		w.after(w.lag(), "drained", h.index, func() {
			if h.phone != p || !p.On() {
				return
			}
			_ = p.Drained(ids)
			h.look()
			h.touch()
		})
	})
}
