package logbook

import (
	"slices"
	"time"

	"gatewright/schema/arrange"
	"gatewright/schema/canon"
)

// ParsePlan reads the projection of a plan document. The error, a *Problem, is
// only for bytes that are no JSON object at all. Merging can leave a plan in
// any state, and the phones must go on working with the rest of it: what
// cannot be read is left out, or falls back to a default when only people go
// by it, and is listed in Problems.
func ParsePlan(projection []byte) (*Plan, error) {
	v, err := canon.Parse(projection)
	if err != nil {
		return nil, notJSON("the plan", "", err)
	}
	if v.Kind != canon.Object {
		return nil, &Problem{Detail: "the plan must be an object, not " + v.Kind.String()}
	}
	p := &Plan{}
	p.readSite(v)
	p.Gates, p.GateIDs = readItems(p, v, GatesCollection, gateFields,
		func(id string) *Gate { return &Gate{ID: id} })
	p.Parts, p.PartIDs = readItems(p, v, PartsCollection, partFields,
		func(id string) *Part { return &Part{ID: id} })
	p.Checks, p.CheckIDs = readItems(p, v, ChecksCollection, checkFields,
		func(id string) *Check { return &Check{ID: id, Recheck: DefaultRecheck} })
	p.Rounds, p.RoundIDs = readItems(p, v, RoundsCollection, roundFields,
		func(id string) *Round { return &Round{ID: id} })
	p.relate()
	for _, g := range p.Gates {
		g.Name = orElse(g.Name, g.ID)
	}
	for _, t := range p.Parts {
		t.Name = orElse(t.Name, t.ID)
	}
	for _, c := range p.Checks {
		c.Name = orElse(c.Name, c.ID)
	}
	for _, r := range p.Rounds {
		r.Name = orElse(r.Name, r.ID)
	}
	return p, nil
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

func (p *Plan) report(q *Problem) { p.Problems = append(p.Problems, *q) }

func (p *Plan) readSite(v canon.Value) {
	p.Site = Site{ManualAfter: DefaultManualAfter, Location: time.UTC}
	site, ok := v.Get(SiteCollection)
	if !ok {
		p.report(problem(SiteCollection, "is missing"))
		return
	}
	if site.Kind != canon.Object {
		p.report(wrongKind(SiteCollection, canon.Object, site.Kind))
		return
	}
	readFields(p, &p.Site, site, SiteCollection, siteFields)
	if p.Site.TZ != nil {
		// Named after the zone so that people recognise it in messages.
		if loc, err := time.LoadLocationFromTZData(orElse(p.Site.Zone, "site"), p.Site.TZ); err == nil {
			p.Site.Location = loc
		}
	}
}

// readFields reports what is wrong and says whether a deciding field is.
func readFields[T any](p *Plan, t *T, item canon.Value, path string, fields []planField[T]) (whole bool) {
	whole = true
	for i := range fields {
		f := &fields[i]
		at := path + "." + f.name
		v, ok := item.Get(f.name)
		if !ok || v.Kind == canon.Null && !f.need {
			if f.need {
				p.report(problem(at, "is missing"))
				whole = whole && !f.decides
			}
			continue
		}
		if q := f.into(t, v, at); q != nil {
			p.report(q)
			whole = whole && !f.decides
		}
	}
	return whole
}

func readItems[T any](p *Plan, v canon.Value, collection string, fields []planField[T], make_ func(id string) *T) (map[string]*T, []string) {
	items := map[string]*T{}
	coll, ok := v.Get(collection)
	if !ok {
		return items, nil
	}
	if coll.Kind != canon.Object {
		p.report(wrongKind(collection, canon.Object, coll.Kind))
		return items, nil
	}
	ids := slices.Clone(coll.Keys)
	arrange.Sort(ids)
	var kept []string
	for _, id := range ids {
		if !ItemID(id) {
			// The id is not repeated: it may be anything.
			p.report(&Problem{Field: collection, Detail: collection + " has an item whose id is not 1 to 16 of a-z, 0-9 and -, starting with a letter"})
			continue
		}
		path := collection + "." + id
		item, _ := coll.Get(id)
		if item.Kind != canon.Object {
			p.report(wrongKind(path, canon.Object, item.Kind))
			continue
		}
		t := make_(id)
		if readFields(p, t, item, path, fields) {
			items[id] = t
			kept = append(kept, id)
		}
	}
	return items, kept
}

// relate leaves out what hangs on something that is not there.
func (p *Plan) relate() {
	p.PartIDs = slices.DeleteFunc(p.PartIDs, func(id string) bool {
		return p.orphan("parts."+id+".gate", p.Gates[p.Parts[id].Gate] == nil, func() { delete(p.Parts, id) })
	})
	p.CheckIDs = slices.DeleteFunc(p.CheckIDs, func(id string) bool {
		c := p.Checks[id]
		part := p.Parts[c.Part]
		path := "checks." + id
		if p.orphan(path+".gate", p.Gates[c.Gate] == nil, func() { delete(p.Checks, id) }) ||
			p.orphan(path+".part", c.Part != "" && part == nil, func() { delete(p.Checks, id) }) {
			return true
		}
		if part != nil && part.Gate != c.Gate {
			p.report(relation(path+".part", "names a part of another gate"))
		}
		return false
	})
	for _, id := range p.RoundIDs {
		r := p.Rounds[id]
		path := "rounds." + id
		r.Checks = slices.DeleteFunc(r.Checks, func(check string) bool {
			return p.orphan(path+".checks", p.Checks[check] == nil, func() {})
		})
		if r.Milking != "" && !p.Site.hasMilking(r.Milking) {
			p.report(relation(path+".milking", "names no milking of the site"))
			r.Milking = ""
		}
	}
}

func (p *Plan) orphan(path string, gone bool, drop func()) bool {
	if gone {
		p.report(relation(path, "names something that is not in the plan"))
		drop()
	}
	return gone
}

func (s *Site) hasMilking(id string) bool {
	for _, period := range s.Milkings {
		for _, m := range period.Milkings {
			if m.ID == id {
				return true
			}
		}
	}
	return false
}
