package phonesim

import (
	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
)

// Draining gives the oldest entries that still wait, at most n: what a phone
// whose access has ended hands over, for a manager to decide about.
func (p *Phone) Draining(n int) []Parcel {
	var out []Parcel
	for _, parcel := range p.disk.Parcels() {
		if parcel.State != Refused && len(out) < n {
			out = append(out, parcel)
		}
	}
	return out
}

// Drained keeps that entries were handed over. They stay on the phone, as not
// accepted. When the power goes before that, they are handed over once more.
func (p *Phone) Drained(ids []logbook.EntryID) error {
	if err := p.step(StepDrain); err != nil {
		return err
	}
	for _, id := range ids {
		if parcel, ok := p.disk.parcels[id]; ok {
			parcel.State, parcel.Code = Refused, "ended"
			parcel.Reason = "access of this phone has ended; a manager has been handed this entry"
			p.disk.parcels[id] = parcel
		}
	}
	return nil
}

// Next begins a change of a document that follows all this phone has, with no
// operations and not taken in: for a phone that does not keep to the rules.
func (p *Phone) Next(name string) *change.Change {
	return p.open(name).next(p.actor, p.Now())
}

// PlanMap gives the operation that made an item of the plan, for the same.
func (p *Phone) PlanMap(collection, item string) (change.OpID, bool) {
	return p.open(logbook.PlanDocument).plan.Map(admit.Place{Collection: collection, Item: item})
}
