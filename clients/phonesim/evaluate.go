package phonesim

import (
	"fmt"

	"gatewright/schema/logbook"
	"gatewright/schema/rules"
)

// Rules says what is due and flagged at an instant (ms), from what the phone's
// documents hold and from what waits in its outbox. It goes the way of the
// phone's module: changes of the plan in order of dependence, entries as they
// came, and the heads beside them.
func (p *Phone) Rules(now int64) (*rules.Output, error) {
	for _, d := range p.inOrder() {
		if d.g.Len() == p.told[d.name] {
			continue
		}
		if d.name == logbook.PlanDocument {
			projection := d.fold.JSON()
			plan, err := logbook.ParsePlan(projection)
			if err != nil {
				return nil, fmt.Errorf("reading the plan: %w", err)
			}
			p.engine.SetPlan(plan, projection)
		} else if err := p.tell(d, p.told[d.name]); err != nil {
			return nil, err
		}
		var heads []string
		for _, h := range d.g.Heads() {
			heads = append(heads, h.String())
		}
		p.engine.SetHeads(d.name, heads)
		p.told[d.name] = d.g.Len()
	}
	for _, parcel := range p.disk.Parcels() {
		if parcel.State != Waiting {
			continue
		}
		// Saved is saved: the person sees it, also when a crash came before the
		// document had it.
		if err := p.add(parcel.Raw); err != nil {
			return nil, err
		}
	}
	return p.engine.Evaluate(now), nil
}

func (p *Phone) tell(d *document, from int) error {
	for _, c := range d.changes[from:] {
		for i := range c.Ops {
			if err := p.add(c.Ops[i].Value.Str); err != nil {
				return fmt.Errorf("reading entry %s: %w", c.Ops[i].Key, err)
			}
		}
	}
	return nil
}

func (p *Phone) add(raw string) error {
	e, err := logbook.ParseEntry([]byte(raw))
	if err != nil {
		return err
	}
	p.engine.Add(e)
	return nil
}

// Engine gives the rules as they were last fed, to look at how they are saved.
func (p *Phone) Engine() *rules.Engine { return p.engine }
