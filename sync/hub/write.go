package hub

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
)

func (s *Site) onWrite(ev Write) {
	if !admit.IsLog(ev.Doc) || !s.known(ev.Doc) {
		s.emit(Done{Token: ev.Token, Err: fmt.Errorf("writing entries: %q is no month of the log", ev.Doc)})
		return
	}
	it := &item{kind: fromWrite, token: ev.Token, read: true}
	for _, raw := range ev.Entries {
		e, err := logbook.ParseEntry(raw)
		if err == nil && e.ID.Document() != ev.Doc {
			err = fmt.Errorf("id: %s does not belong to %s", e.ID, ev.Doc)
		}
		if err != nil {
			s.emit(Done{Token: ev.Token, Err: fmt.Errorf("writing an entry: %w", err)})
			return
		}
		it.entries = append(it.entries, e)
	}
	d := s.document(ev.Doc)
	d.queue = append(d.queue, it)
	s.run(d)
}

// writeMarks writes the entries that say how others came in, each into its
// own month.
func (s *Site) writeMarks(marks [][]byte) {
	by := map[string]*item{}
	for _, raw := range marks {
		e, err := logbook.ParseEntry(raw)
		if err != nil {
			s.emit(Trouble{Err: err})
			continue
		}
		doc := e.ID.Document()
		if by[doc] == nil {
			by[doc] = &item{kind: fromWrite, read: true}
		}
		by[doc].entries = append(by[doc].entries, e)
	}
	for _, doc := range slices.Sorted(maps.Keys(by)) {
		d := s.document(doc)
		d.queue = append(d.queue, by[doc])
		s.run(d)
	}
}

// stageMarks puts those marks into the batch that belong to its own month, so
// that they are stored with what they are about, or not at all.
func (s *Site) stageMarks(d *document) {
	g := d.group
	if len(g.batch.Changes) == 0 {
		return
	}
	var here []*logbook.Entry
	g.marks = slices.DeleteFunc(g.marks, func(raw []byte) bool {
		e, err := logbook.ParseEntry(raw)
		if err != nil || e.ID.Document() != d.name {
			return false
		}
		here = append(here, e)
		return true
	})
	s.stageEntries(d, g.items[0], here)
}

// stageEntries writes changes that hold entries, those apart that are in
// the log already.
func (s *Site) stageEntries(d *document, it *item, of []*logbook.Entry) {
	var entries []*logbook.Entry
	var ops []change.Op
	seen := map[logbook.EntryID]bool{}
	for _, e := range of {
		if _, there := d.persons[e.ID]; there || seen[e.ID] {
			continue
		}
		seen[e.ID] = true
		entries = append(entries, e)
		ops = append(ops, change.Op{Key: string(e.ID), Action: change.Set, Value: change.String(string(e.Raw))})
	}
	for len(ops) > 0 && it.err == nil {
		n := fitting(ops)
		s.stageOwn(d, it, ops[:n], entries[:n])
		ops, entries = ops[n:], entries[n:]
	}
}

// fitting is how many of the entries go into one change.
func fitting(ops []change.Op) int {
	size := 0
	for i := range ops {
		if size += len(ops[i].Key) + len(ops[i].Value.Str); i > 0 && size > maxWritten || i == admit.MaxEntries {
			return i
		}
	}
	return len(ops)
}

// stageOwn writes a change of the server on top of all there is.
func (s *Site) stageOwn(d *document, it *item, ops []change.Op, entries []*logbook.Entry) {
	heads := d.g.Heads()
	c := &change.Change{
		Actor: s.cfg.Actor, Seq: d.last[s.cfg.Actor].seq + 1, StartOp: d.g.MaxOp(heads) + 1,
		Time: s.now / 1000, Message: admit.ServerMessage, Deps: heads, Ops: ops,
	}
	if err := change.Encode(c); err != nil {
		it.err = fmt.Errorf("writing %s: %w", d.name, err)
		return
	}
	// Phones bring it back to a server that was restored, so it has to keep the
	// bounds of what comes from the network.
	if _, err := change.Decode(c.Bytes, admit.Limits(d.name)); err != nil {
		it.err = fmt.Errorf("writing %s: more than fits into one change: %w", d.name, err)
		return
	}
	s.stage(d, it, &admit.Reading{Change: c, Doc: d.name, Entries: entries, Claim: admit.ServerDevice},
		admit.ServerDevice, admit.ServerDevice)
	d.group.from[c.Hash].own = true
}

func (s *Site) onWritePlan(ev WritePlan) {
	for _, item := range ev.Items {
		if err := item.check(); err != nil {
			s.emit(Done{Token: ev.Token, Err: err})
			return
		}
	}
	d := s.document(logbook.PlanDocument)
	d.queue = append(d.queue, &item{kind: fromPlan, token: ev.Token, plan: ev.Items, read: true})
	s.run(d)
}

var errSiteItem = errors.New("writing the plan: the site has no items")

// check judges an item by itself.
func (i PlanItem) check() error {
	site := i.Collection == logbook.SiteCollection
	switch {
	case !slices.Contains(logbook.Collections(), i.Collection):
		return fmt.Errorf("writing the plan: collection %q is unknown", i.Collection)
	case site && i.ID != "":
		return errSiteItem
	case !site && !logbook.ItemID(i.ID):
		return fmt.Errorf("writing the plan: %s: %q is no item id", i.Collection, i.ID)
	}
	for _, f := range slices.Sorted(maps.Keys(i.Fields)) {
		if why := admit.CheckField(i.Collection, f, i.Fields[f]); why != "" {
			return fmt.Errorf("writing the plan: %s.%s.%s: %s", i.Collection, i.ID, f, why)
		}
	}
	return nil
}

// planWriter gathers the operations of one change of the plan.
type planWriter struct {
	plan  *admit.Plan
	actor change.Actor
	start uint64
	ops   []change.Op
	maps  map[admit.Place]change.OpID // made in this change
	wrote map[change.OpID]map[string]change.OpID
}

func (w *planWriter) next() change.OpID {
	return change.OpID{Counter: w.start + uint64(len(w.ops)), Actor: w.actor}
}

// place gives the map at a place, making it when it is not there.
func (w *planWriter) place(at admit.Place) change.OpID {
	if id, ok := w.maps[at]; ok {
		return id
	}
	if id, ok := w.plan.Map(at); ok {
		return id
	}
	op := change.Op{Key: at.Collection, Action: change.MakeMap}
	if at.Item != "" {
		op.Obj = w.place(admit.Place{Collection: at.Collection})
		op.Key = at.Item
	}
	id := w.next()
	w.ops = append(w.ops, op)
	w.maps[at] = id
	return id
}

// set writes a field, unless it has that value already and no other.
func (w *planWriter) set(obj change.OpID, field string, v change.Value) {
	pred, value := w.plan.Live(obj, field)
	if id, again := w.wrote[obj][field]; again {
		pred = []change.OpID{id}
	} else if len(pred) == 1 && value.Equal(v) || len(pred) == 0 && v.Kind == change.KindNull {
		return
	}
	if w.wrote[obj] == nil {
		w.wrote[obj] = map[string]change.OpID{}
	}
	w.wrote[obj][field] = w.next()
	w.ops = append(w.ops, change.Op{Obj: obj, Key: field, Action: change.Set, Value: v, Pred: pred})
}

// stagePlan writes one change that makes what items are missing and sets what
// fields differ. The first one makes all five maps of the plan, so that they
// are made once and by one hand.
func (s *Site) stagePlan(d *document, it *item) {
	if it.err != nil {
		return
	}
	w := &planWriter{plan: d.folded(), actor: s.cfg.Actor, start: d.g.MaxOp(d.g.Heads()) + 1,
		maps: map[admit.Place]change.OpID{}, wrote: map[change.OpID]map[string]change.OpID{}}
	for _, c := range logbook.Collections() {
		w.place(admit.Place{Collection: c})
	}
	for _, item := range it.plan {
		obj := w.place(admit.Place{Collection: item.Collection, Item: item.ID})
		for _, f := range slices.Sorted(maps.Keys(item.Fields)) {
			w.set(obj, f, item.Fields[f])
		}
	}
	if len(w.ops) > 0 {
		s.stageOwn(d, it, w.ops, nil)
	}
}
