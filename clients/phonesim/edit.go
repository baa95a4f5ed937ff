package phonesim

import (
	"fmt"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// Edit is one field of the plan set by this phone.
type Edit struct {
	Collection, Item, Field string // Item is "" for the site
	Value                   change.Value
	State                   State
	Code, Reason            string

	by change.Hash // the change that carries it; zero when none does
}

// Edit sets one field of an item of the plan; item is "" for the site. Like an
// entry it is saved when Edit returns nil, and kept until the server has it or
// will not have it. An edit that has to be made anew, because the copy was
// lost, is made on top of what the plan then says.
func (p *Phone) Edit(collection, item, field string, v change.Value) error {
	if !p.On() {
		return ErrOff
	}
	d := p.open(logbook.PlanDocument)
	e := Edit{Collection: collection, Item: item, Field: field, Value: v, State: Waiting}
	if _, ok := d.plan.Map(admit.Place{Collection: collection, Item: item}); !ok {
		return fmt.Errorf("editing the plan: %s: there is no such item in %s", item, collection)
	}
	if err := p.step(StepOutbox); err != nil {
		return err
	}
	p.disk.edits = append(p.disk.edits, e)
	if err := p.step(StepDocument); err != nil {
		return err
	}
	if err := p.makeEdit(d, &p.disk.edits[len(p.disk.edits)-1]); err != nil {
		return fmt.Errorf("editing the plan: %w", err)
	}
	return p.step(StepSaid)
}

// Edits lists the edits of the plan that wait or were not accepted, in the
// order they were made.
func (p *Phone) Edits() []Edit { return slices.Clone(p.disk.edits) }

func (p *Phone) makeEdit(d *document, e *Edit) error {
	obj, ok := d.plan.Map(admit.Place{Collection: e.Collection, Item: e.Item})
	if !ok {
		return fmt.Errorf("%s: there is no such item in %s", e.Item, e.Collection)
	}
	pred, _ := d.plan.Live(obj, e.Field)
	c := d.next(p.actor, p.Now())
	c.Ops = []change.Op{{Obj: obj, Key: e.Field, Action: change.Set, Value: e.Value, Pred: pred}}
	if err := change.Encode(c); err != nil {
		return err
	}
	e.by = c.Hash
	return p.write(d, c)
}

// settlePlan lets go of the edits that the server has, and makes anew those
// that the copy has lost, once it is level with the server.
func (p *Phone) settlePlan(d *document) error {
	has := func(e Edit) bool { return d.has(written{by: e.by}) }
	if slices.ContainsFunc(p.disk.edits, has) {
		if err := p.step(StepRelease); err != nil {
			return err
		}
		p.disk.edits = slices.DeleteFunc(p.disk.edits, has)
	}
	if p.link == nil || !p.link.listed || !d.level() {
		return nil
	}
	for i := range p.disk.edits {
		if e := &p.disk.edits[i]; e.State == Waiting && !d.g.Has(e.by) {
			if err := p.makeEdit(d, e); err != nil {
				return fmt.Errorf("making an edit of the plan anew: %w", err)
			}
		}
	}
	return nil
}

// turnEdits gives the edits as they stand after a refusal.
func (p *Phone) turnEdits(rows []wire.RefusedChange) []Edit {
	out := p.Edits()
	for i := range out {
		for _, r := range rows {
			if r.Hash != out[i].by || r.Code == admit.CodeDepends || r.Code == admit.CodeActor {
				continue
			}
			out[i].State, out[i].Code, out[i].Reason = Refused, r.Code, r.Reason
			if r.Held {
				out[i].State = Held
			}
		}
	}
	return out
}
