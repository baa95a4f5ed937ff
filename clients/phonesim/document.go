package phonesim

import (
	"errors"
	"fmt"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/fold"
	"gatewright/sync/graph"
	"gatewright/sync/wire"
)

// document is the phone's copy of one document.
type document struct {
	name, id string
	g        *graph.Graph
	peer     graph.Peer // the server
	changes  []*change.Change
	fold     *fold.Fold
	plan     *admit.Plan // of the plan: where its maps hang

	entries map[logbook.EntryID]written

	served []change.Hash // heads that the server says it has
	known  bool          // the server has said so
}

// written is an entry as the document holds it.
type written struct {
	raw string
	by  change.Hash
}

func newDocument(site [16]byte, name string) *document {
	return &document{
		name: name, id: wire.DocumentID(logbook.DocID(site, name)),
		g: graph.New(), fold: fold.New(), plan: admit.NewPlan(), entries: map[logbook.EntryID]written{},
	}
}

var errMissing = errors.New("a change before it is missing")

// add takes a change in. It says errMissing when something before it is not here.
func (d *document) add(c *change.Change) (fresh bool, err error) {
	if d.g.Has(c.Hash) {
		return false, nil
	}
	if len(d.g.Missing(c.Deps)) > 0 {
		return false, errMissing
	}
	if err := d.fold.Apply(c); err != nil {
		return false, fmt.Errorf("taking change %s into %s: %w", c.Hash, d.name, err)
	}
	if err := d.g.Add(node(c)); err != nil {
		return false, err
	}
	if d.name == logbook.PlanDocument {
		d.plan.Apply(c)
	} else {
		for i := range c.Ops {
			op := &c.Ops[i]
			if op.Action == change.Set && op.Obj.IsZero() && op.Value.Kind == change.KindString {
				d.entries[logbook.EntryID(op.Key)] = written{op.Value.Str, c.Hash}
			}
		}
	}
	d.changes = append(d.changes, c)
	return true, nil
}

func node(c *change.Change) graph.Node {
	return graph.Node{Hash: c.Hash, Deps: c.Deps, Actor: c.Actor, Seq: c.Seq, MaxOp: c.MaxOp(), Bytes: c.Bytes}
}

// next begins a change that follows all that is here.
func (d *document) next(actor change.Actor, at int64) *change.Change {
	heads := d.g.Heads()
	return &change.Change{
		Actor: actor, Seq: d.g.LastSeq(actor) + 1, StartOp: d.g.MaxOp(heads) + 1,
		Deps: heads, Time: at / 1000,
	}
}

// has reports that the server has what wrote the entry, as far as this copy
// can tell.
func (d *document) has(w written) bool {
	return d.known && d.g.Reaches(d.served, w.by)
}

// covered gives the changes that the server has, as far as this copy can tell.
func (d *document) covered() map[change.Hash]bool {
	out := map[change.Hash]bool{}
	if !d.known {
		return out
	}
	open := slices.Clone(d.served)
	for len(open) > 0 {
		h := open[len(open)-1]
		open = open[:len(open)-1]
		n, here := d.g.Node(h)
		if !here || out[h] {
			continue
		}
		out[h] = true
		open = append(open, n.Deps...)
	}
	return out
}

// level reports that this copy lacks nothing that the server has.
func (d *document) level() bool { return d.known && len(d.g.Missing(d.served)) == 0 }
