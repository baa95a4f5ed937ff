package fold

import "gatewright/sync/change"

func refuse(code, detail string) error { return &change.Error{Code: code, Detail: detail} }

// check finds everything that would keep the change from being applied, before
// any of it is.
func (f *Fold) check(c *change.Change) error {
	for _, d := range c.Deps {
		if !f.Has(d) {
			return refuse(change.CodeDeps, "depends on a change that is not there yet")
		}
	}
	if len(c.Ops) > 0 && c.StartOp <= f.last[c.Actor] {
		return refuse(change.CodeStart, "operation counters used before")
	}
	depths := map[change.OpID]int{} // of the maps that this change makes
	for i := range c.Ops {
		if err := f.checkOp(c, i, depths); err != nil {
			return err
		}
	}
	return nil
}

func (f *Fold) checkOp(c *change.Change, i int, depths map[change.OpID]int) error {
	op := &c.Ops[i]
	switch op.Action {
	case change.MakeMap, change.Set, change.Delete, change.Increment:
	default:
		return refuse(CodeUnsupported, "lists, texts, tables and marks are not projected")
	}
	if op.IsElem {
		return refuse(CodeUnsupported, "lists, texts, tables and marks are not projected")
	}
	if op.Value.Kind == change.KindUnknown {
		return refuse(CodeUnsupported, "value of a type that is not known")
	}
	depth, ok := depths[op.Obj]
	if obj := f.objects[op.Obj]; obj != nil {
		depth, ok = obj.depth, true
	}
	if !ok {
		return refuse(change.CodeObject, "object is not there")
	}
	if op.Action == change.MakeMap {
		if depth+1 > MaxDepth {
			return refuse(CodeUnsupported, "maps nested too deep")
		}
		depths[op.ID] = depth + 1
	}
	for _, p := range op.Pred {
		if !f.wrote(c, i, p) {
			return refuse(change.CodePred, "predecessor is not a value under this key")
		}
	}
	return nil
}

// wrote reports whether p wrote a value, dead or alive, under the key of
// operation i, in an earlier change or earlier in this one.
func (f *Fold) wrote(c *change.Change, i int, p change.OpID) bool {
	op := &c.Ops[i]
	if obj := f.objects[op.Obj]; obj != nil {
		if _, found := obj.slots[op.Key].find(p); found {
			return true
		}
	}
	if p.Actor != c.Actor || p.Counter < c.StartOp || p.Counter >= op.ID.Counter {
		return false
	}
	was := &c.Ops[p.Counter-c.StartOp]
	return (was.Action == change.Set || was.Action == change.MakeMap) && was.Obj == op.Obj && was.Key == op.Key
}
