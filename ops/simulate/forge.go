package simulate

import (
	"fmt"
	"strings"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// believable says whether a restore window lets a forged change in: then what
// the phones say of others is believed, which the owner who opens it knows.
func believable(what string) bool {
	return strings.HasPrefix(what, "of another: ") || what == squatting
}

// squatting is refused as long as the entry is there. After a restore that took
// the entry, nobody can know whose the id was.
const squatting = "other words under an entry's id"

// forge has a hostile phone send a change that its author may not make.
func (w *world) forge() bool {
	var h *handset
	for _, x := range w.phones {
		if x.hostile && !x.dead && x.phone.On() && x.link != nil && !x.link.ended {
			h = x
		}
	}
	if h == nil || len(h.phone.Documents()) == 0 {
		return false
	}
	now := h.phone.Now()
	doc := logbook.LogDocument(logbook.MonthOf(now))
	c := h.phone.Next(doc)
	entry := func(kind logbook.Kind, set func(e *logbook.Entry)) {
		var random [10]byte
		for i := range random {
			random[i] = byte(w.rng.Uint32())
		}
		e := logbook.Entry{ID: logbook.NewEntryID(now, random), V: 1, Kind: kind, At: now, By: h.author.People[0].ID, Dev: h.author.Device, Text: "forged"}
		set(&e)
		raw, err := e.Encode()
		if err != nil {
			w.fail(5, "forging: %v", err)
		}
		w.forgery[e.ID] = true
		c.Ops = append(c.Ops, change.Op{Key: string(e.ID), Action: change.Set, Value: change.String(string(raw))})
	}
	var victim *record
	for range 10 {
		if len(w.order) > 0 {
			if r := w.ledger[w.order[w.rng.IntN(len(w.order))]]; r.h != nil && r.h != h && w.holds(r.id) {
				victim = r
			}
		}
	}
	what := ""
	switch w.rng.IntN(12) {
	case 0:
		what = "a dismissal by one of the crew"
		entry(logbook.Dismiss, func(e *logbook.Entry) { e.Text, e.Flag, e.Why = "", "overdue/wipe", "no" })
	case 1:
		what = "an entry by somebody who is not on the phone"
		entry(logbook.Note, func(e *logbook.Entry) { e.By = w.phones[0].author.People[0].ID })
	case 2:
		what = "of another: an entry in the name of another phone"
		entry(logbook.Note, func(e *logbook.Entry) {
			e.By, e.Dev = w.phones[0].author.People[0].ID, w.phones[0].author.Device
		})
	case 3:
		what = "an entry of a kind that only the server writes"
		entry(logbook.Clock, func(e *logbook.Entry) { e.Text, e.Device, e.Offset = "", h.author.Device, 5 })
	case 4:
		what = "of another: a change that says it is the server's"
		c.Message = admit.ServerMessage
		entry(logbook.Note, func(e *logbook.Entry) { e.By, e.Dev = logbook.Server, logbook.Server })
	case 5:
		if victim == nil {
			return false
		}
		what = "a void of another's entry"
		entry(logbook.Void, func(e *logbook.Entry) {
			if e.ID <= victim.id {
				e.ID = logbook.NewEntryID(victim.id.Time()+1, [10]byte{byte(w.rng.Uint32()), byte(w.rng.Uint32()), byte(w.rng.Uint32())})
			}
			e.Text, e.Of, e.Why = "", victim.id, "forged"
		})
		doc = logbook.EntryID(c.Ops[0].Key).Document()
		ops := c.Ops
		c = h.phone.Next(doc)
		c.Ops = ops
	case 6:
		if victim == nil {
			return false
		}
		what = squatting
		doc = victim.id.Document()
		c = h.phone.Next(doc)
		e := logbook.Entry{ID: victim.id, V: 1, Kind: logbook.Note, At: now, By: h.author.People[0].ID, Dev: h.author.Device, Text: "forged"}
		raw, err := e.Encode()
		if err != nil {
			w.fail(5, "forging: %v", err)
		}
		c.Ops = append(c.Ops, change.Op{Key: string(e.ID), Action: change.Set, Value: change.String(string(raw))})
	case 7:
		what = "a gap in the actor's numbers"
		entry(logbook.Note, func(*logbook.Entry) {})
		c.Seq += 2
	case 8:
		what = "operations that do not count on"
		entry(logbook.Note, func(*logbook.Entry) {})
		c.StartOp += 7
	case 9:
		what = "an entry in another month's document"
		entry(logbook.Note, func(e *logbook.Entry) {})
		doc = logbook.LogDocument("2031-05")
		ops := c.Ops
		c = h.phone.Next(doc)
		c.Ops = ops
	case 10:
		what = "of another: an edit of the plan by one of the crew"
		doc = logbook.PlanDocument
		c = h.phone.Next(doc)
		c.Ops = []change.Op{{Key: "name", Obj: change.OpID{Counter: 1, Actor: c.Actor}, Action: change.Set, Value: change.String("forged")}}
		if at, ok := h.phone.PlanMap(logbook.ChecksCollection, "air"); ok {
			c.Ops[0].Obj = at
		}
	case 11:
		what = "an entry recorded before its person had access"
		entry(logbook.Note, func(e *logbook.Entry) {
			e.By = h.author.People[0].ID
			e.Kind, e.Text, e.Check = logbook.Tick, "", "no-such-thing-"
			e.Check = "none"
			e.By = "p000000000"
		})
	}
	var fresh [16]byte // an actor of its own, so that the phone's stays in order
	for i := range fresh {
		fresh[i] = byte(w.rng.Uint32())
	}
	c.Actor = change.Actor(fresh[:])
	if c.Seq < 3 || what != "a gap in the actor's numbers" {
		c.Seq = 1
		if what == "a gap in the actor's numbers" {
			c.Seq = 3
		}
	}
	if err := change.Encode(c); err != nil {
		w.count["forge_unmade"]++
		return false
	}
	w.forged[c.Hash] = what
	m := wire.SyncMessage{Heads: []change.Hash{c.Hash}, Have: []wire.Have{{}}, Changes: [][]byte{c.Bytes}}
	id, _ := logbook.ParseUUID(siteID)
	frame, err := wire.Encode(wire.Sync{SenderID: "phone-" + h.author.Device, TargetID: fmt.Sprintf("server-%d", h.link.n.index),
		DocumentID: wire.DocumentID(logbook.DocID(id, doc)), Data: m.Encode()})
	if err != nil {
		w.fail(5, "forging: %v", err)
	}
	h.link.sendUp(frame)
	return true
}
