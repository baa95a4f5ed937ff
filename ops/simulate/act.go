package simulate

import (
	"errors"
	"fmt"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/schema/num"
	"gatewright/schema/zones"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// firstPlan has the server write the plan of the yard.
func (w *world) firstPlan() {
	table, err := zones.Table("Europe/Dublin")
	if err != nil {
		w.fail(5, "reading a zone: %v", err)
	}
	since, text := change.Int(planStart), change.String
	check := func(id, name, kind, cadence, limits string) hub.PlanItem {
		f := map[string]change.Value{"gate": text("east"), "name": text(name), "kind": text(kind), "since": since}
		if cadence != "" {
			f["cadence"] = text(cadence)
		}
		if limits != "" {
			f["limits"] = text(limits)
		}
		return hub.PlanItem{Collection: logbook.ChecksCollection, ID: id, Fields: f}
	}
	items := []hub.PlanItem{
		{Collection: logbook.SiteCollection, Fields: map[string]change.Value{
			"id": text(siteID), "name": text("Yard"), "zone": text("Europe/Dublin"), "tz": change.Bytes(table), "tzv": text(zones.Version()),
			"manual_after": change.Int(30),
			"milkings":     text(`[{"from":0,"milkings":[{"end":"08:00","id":"am","name":"Morning","start":"05:30"},{"end":"18:30","id":"pm","name":"Evening","start":"16:00"}]}]`)}},
		{Collection: logbook.GatesCollection, ID: "east", Fields: map[string]change.Value{
			"name": text("East gate"), "drive": text("air"), "since": since}},
		check("wipe", "Wipe the lenses", "look", `[{"every":"milking","from":0,"grace":60,"mode":"fixed","n":1}]`, ""),
		check("air", "Air pressure", "number", `[{"by":"20:00","every":"day","from":0,"grace":120,"mode":"fixed","n":1}]`,
			`[{"agree":0.5,"from":0,"high":8,"low":6,"unit":"bar","within":30}]`),
		check("grease", "Grease the hinges", "look", `[{"every":"week","from":0,"grace":1440,"mode":"last","n":1}]`, ""),
	}
	w.serverPlan(items, 0)
}

// serverPlan has a node write items of the plan, as often as it takes.
func (w *world) serverPlan(items []hub.PlanItem, ms int64) {
	w.after(ms, "plan", 0, func() {
		n := w.nodes[w.rng.IntN(len(w.nodes))]
		if n.down {
			w.serverPlan(items, 1000)
			return
		}
		n.write(func(t hub.Token) hub.Event { return hub.WritePlan{Token: t, Items: items} }, func(err error) {
			if err != nil {
				w.serverPlan(items, 1000)
			}
		})
	})
}

// act has somebody use a phone: now and then, several entries at a time.
func (w *world) act(h *handset) {
	if h.role == "" || h.acting {
		return
	}
	h.acting = true
	left := 0
	var next func()
	next = func() {
		if h.dead || h.shut && w.rng.IntN(2) == 0 {
			h.acting = false
			return
		}
		if w.saved < w.cfg.Entries && !w.calm {
			h.record()
		}
		if left--; left > 0 {
			w.later(w.between(1, w.p.gap*2), "act", h.index, next)
			return
		}
		left = 1 + w.rng.IntN(w.p.burst)
		w.later(w.about(w.between(100, w.p.pause)), "act", h.index, next)
	}
	w.later(w.between(100, w.p.pause), "act", h.index, next)
}

// about gives in how many ms people are about who would be in so many.
func (w *world) about(ms int64) int64 {
	at := w.now + ms - w.p.start
	if into := at % w.p.every; into > w.p.milking {
		ms += w.p.every - into + w.between(0, w.p.pause)
	}
	return ms
}

// record has somebody record one entry, or edit the plan.
func (h *handset) record() {
	w := h.w
	if !h.phone.On() {
		return
	}
	if h.role == "manager" && w.rng.IntN(25) == 0 {
		h.edit()
		return
	}
	e := h.words()
	var before *phonesim.Disk
	if w.cfg.tamper.forget {
		before = h.disk.Clone()
	}
	id, err := h.phone.Record(e)
	switch {
	case err == nil:
		parcel, _ := h.disk.Parcel(id)
		r := &record{id: id, raw: parcel.Raw, h: h, at: w.now, saved: true, forbidden: forbidden(parcel.Raw)}
		if w.ledger[id] != nil {
			w.fail(6, "phone %d gave the id %s twice", h.index, id)
		}
		w.remember(r)
		w.saved++
		if w.cfg.tamper.forget && w.saved%50 == 0 {
			before.StartsAfter(h.disk)
			h.disk.PowerOff()
			h.disk = before
		}
		h.pending = append(h.pending, id)
		if h.recent = append(h.recent, id); len(h.recent) > 8 {
			h.recent = h.recent[1:]
		}
		switch {
		case e.Kind == logbook.Void:
			w.count["voids"]++
		case e.Replaces != "":
			w.count["corrections"]++
		}
	case errors.Is(err, phonesim.ErrFull):
		w.count["phone_full_refused"]++
	case errors.Is(err, phonesim.ErrOff):
	default:
		w.fail(6, "recording on phone %d: %v", h.index, err)
	}
	h.touch()
}

// words draws what somebody has to say.
func (h *handset) words() logbook.Entry {
	w := h.w
	by := h.author.People[w.rng.IntN(len(h.author.People))].ID
	e := logbook.Entry{By: by}
	if w.rng.IntN(12) == 0 { // done earlier
		e.At = h.phone.Now() - w.between(0, 6*3600_000)
	}
	var target logbook.EntryID
	if len(h.recent) > 0 {
		target = h.recent[w.rng.IntN(len(h.recent))]
	}
	mine := target != "" && w.ledger[target].by() == by
	switch x := w.rng.IntN(100); {
	case x < 40:
		e.Kind, e.Check = logbook.Tick, []string{"wipe", "grease"}[w.rng.IntN(2)]
	case x < 65:
		e.Kind, e.Check, e.Unit, e.HasValue = logbook.Reading, "air", "bar", true
		e.Value = num.Micro(5_500_000 + 10_000*int64(w.rng.IntN(300)))
		if mine && w.rng.IntN(6) == 0 {
			e.Replaces = target
		}
	case x < 75:
		e.Kind, e.Text = logbook.Note, fmt.Sprintf("seen %d", w.rng.IntN(1000))
	case x < 79:
		e.Kind, e.Gate, e.Mode = logbook.ModeSeen, "east", []string{"automatic", "manual"}[w.rng.IntN(2)]
	case x < 82:
		e.Kind, e.Event = logbook.Event, "frost"
	case x < 84:
		e.Kind, e.Gate, e.Out = logbook.Park, "east", w.rng.IntN(2) == 0
	case x < 86:
		e.Kind, e.Gate, e.Seen = logbook.Fault, "east", "stuck"
	case x < 88:
		e.Kind, e.Flag = logbook.Take, "overdue/wipe"
	case x < 93 && mine:
		e.Kind, e.Of, e.Why = logbook.Void, target, "mistaken"
	case x < 94 && h.role == "manager":
		e.Kind, e.Flag, e.Why = logbook.Dismiss, "overdue/wipe", "known"
	case x < 95 && h.role == "manager" && len(w.order) > 0:
		// A manager may void anybody's, when it has come to this phone.
		other := w.order[w.rng.IntN(len(w.order))]
		if _, here := h.phone.Entry(other); here {
			e.Kind, e.Of, e.Why = logbook.Void, other, "looked into"
			break
		}
		e.Kind, e.Text = logbook.Note, "nothing"
	case x < 96 && h.role == "crew":
		w.count["tried_what_it_may_not"]++
		e.Kind, e.Flag, e.Why = logbook.Dismiss, "overdue/wipe", notAllowed
	case x < 97 && h.role == "crew" && len(w.order) > 0:
		other := w.order[w.rng.IntN(len(w.order))]
		if r := w.ledger[other]; r.h != h && r.by() != by {
			w.count["tried_what_it_may_not"]++
			e.Kind, e.Of, e.Why = logbook.Void, other, notAllowed
			break
		}
		e.Kind, e.Text = logbook.Note, "nothing"
	default:
		e.Kind, e.Text = logbook.Note, "all well"
	}
	return e
}

// by is the person who recorded the entry.
func (r *record) by() string {
	e, err := logbook.ParseEntry([]byte(r.raw))
	if err != nil {
		return ""
	}
	return e.By
}

// edit has a manager edit the plan.
func (h *handset) edit() {
	w := h.w
	var err error
	switch w.rng.IntN(4) {
	case 0:
		err = h.phone.Edit(logbook.ChecksCollection, "air", "limits", change.String(fmt.Sprintf(
			`[{"agree":0.5,"from":0,"high":8,"low":%d,"unit":"bar","within":30}]`, 5+w.rng.IntN(2))))
	case 1:
		err = h.phone.Edit("site", "", "manual_after", change.Int(int64(20+w.rng.IntN(30))))
	default:
		err = h.phone.Edit(logbook.ChecksCollection, []string{"wipe", "air", "grease"}[w.rng.IntN(3)], "name",
			change.String(fmt.Sprintf("Name %d", w.rng.IntN(100))))
	}
	if err == nil {
		w.count["plan_edits"]++
	} // else there is no plan here yet, or no room, or the power went
	h.touch()
}
