package phonesim

import (
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// notTaken takes in that the server will not have changes of this copy. What
// it names of this phone's own is kept with the reason; all else that this
// phone wrote and the server is not known to have goes back into the outbox in
// the same words; and the copy is condemned. All of that is one write. Then the copy goes, and the phone
// connects anew.
func (p *Phone) notTaken(m wire.Refused) error {
	name, ok := p.names[m.DocumentID]
	if !ok || len(m.Refused) == 0 {
		return nil
	}
	d := p.docs[name]
	changed := map[logbook.EntryID]Parcel{}
	covered := d.covered()
	for id, w := range d.entries {
		if covered[w.by] {
			continue
		}
		e, err := logbook.ParseEntry([]byte(w.raw))
		if err != nil || e.Dev != p.cfg.Device {
			continue
		}
		if _, kept := p.disk.parcels[id]; !kept {
			changed[id] = Parcel{ID: id, Raw: w.raw, Document: name, State: Waiting}
		}
	}
	for _, r := range m.Refused {
		if r.Code == admit.CodeDepends || r.Code == admit.CodeActor {
			// It only builds on one that is refused, or its actor was taken for
			// another's. It is written again, under an actor that is new.
			continue
		}
		state := Refused
		if r.Held {
			state = Held
		}
		for _, id := range d.named(r) {
			parcel, own := changed[id]
			if !own {
				if parcel, own = p.disk.parcels[id]; !own {
					continue // another device's: not this phone's fault
				}
			}
			parcel.State, parcel.Code, parcel.Reason = state, r.Code, r.Reason
			changed[id] = parcel
		}
	}
	edits := p.disk.edits
	if name == logbook.PlanDocument {
		edits = p.turnEdits(m.Refused)
	}
	if err := p.step(StepRefuse); err != nil {
		return err
	}
	p.disk.edits = edits
	for id, parcel := range changed {
		p.disk.parcels[id] = parcel
		p.disk.settled++
	}
	p.disk.drops[name] = true
	p.Disconnect()
	return p.load()
}

// named gives the entries that a refusal is about: those that it lists, else
// all of its change.
func (d *document) named(r wire.RefusedChange) []logbook.EntryID {
	var out []logbook.EntryID
	for _, id := range r.Entries {
		out = append(out, logbook.EntryID(id))
	}
	if len(out) > 0 {
		return out
	}
	i := slices.IndexFunc(d.changes, func(c *change.Change) bool { return c.Hash == r.Hash })
	if i >= 0 {
		for _, op := range d.changes[i].Ops {
			out = append(out, logbook.EntryID(op.Key))
		}
	}
	return out
}
