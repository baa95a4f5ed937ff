package change

import "unicode/utf8"

// maxExtra bounds the bytes after the columns; tagExtra begins the only field
// known to be written there.
const (
	maxExtra = 1024
	tagExtra = 1

	// JavaScript's library throws on a change whose time its numbers cannot
	// hold, whenever it looks at the history.
	maxTime = 1<<53 - 1
)

// check holds a change, read or about to be written, to what one change alone
// can be held to.
func (c *Change) check() *Error {
	if len(c.Actor) == 0 || len(c.Actor) > MaxActor {
		return refuse(CodeActor, "actor id empty or too long")
	}
	if c.Seq == 0 || c.Seq > maxCounter {
		return refuse(CodeSeq, "seq below 1 or above 32 bits")
	}
	if c.StartOp == 0 || c.StartOp > maxCounter || c.StartOp+uint64(len(c.Ops)) > maxCounter {
		return refuse(CodeStart, "operation counters below 1 or above 32 bits")
	}
	if c.Time < -maxTime || c.Time > maxTime {
		return refuse(CodeNumber, "time beyond 53 bits")
	}
	if !utf8.ValidString(c.Message) {
		return refuse(CodeText, "message is not UTF-8")
	}
	for i := 1; i < len(c.Deps); i++ {
		if c.Deps[i-1].Compare(c.Deps[i]) >= 0 {
			return refuse(CodeDeps, "dependencies not sorted or repeated")
		}
	}
	if c.Seq > 1 && len(c.Deps) == 0 {
		return refuse(CodeDeps, "a later change of an actor without dependencies")
	}
	if len(c.Extra) > maxExtra || len(c.Extra) > 0 && c.Extra[0] != tagExtra {
		return refuse(CodeExtra, "unknown bytes after the columns")
	}
	for i := range c.Ops {
		if err := c.checkOp(&c.Ops[i]); err != nil {
			return err
		}
	}
	return nil
}

// own gives the operation of this change that id names, if it is one.
func (c *Change) own(id OpID) *Op {
	if id.Actor != c.Actor || id.Counter < c.StartOp {
		return nil
	}
	return &c.Ops[id.Counter-c.StartOp]
}

// earlier reports whether id can name something that existed before op: an
// earlier operation of this change, or one of a change it depends on, whose
// counters are all below StartOp.
func (c *Change) earlier(id OpID, op *Op) bool {
	if id.Actor == c.Actor {
		return id.Counter < op.ID.Counter
	}
	return id.Counter < c.StartOp
}

func (c *Change) checkOp(op *Op) *Error {
	if err := c.checkPlace(op); err != nil {
		return err
	}
	if err := checkAction(op); err != nil {
		return err
	}
	return c.checkPreds(op)
}

// checkPlace checks object, key and element.
func (c *Change) checkPlace(op *Op) *Error {
	if !utf8.ValidString(op.Key) {
		return refuse(CodeText, "key is not UTF-8")
	}
	inMap, known := true, true // the root is a map
	if !op.Obj.IsZero() {
		if !c.earlier(op.Obj, op) {
			return refuse(CodeObject, "object made by a later operation")
		}
		made := c.own(op.Obj)
		if known = made != nil; known {
			if !made.Action.Makes() {
				return refuse(CodeObject, "object is not one")
			}
			inMap = made.Action == MakeMap || made.Action == MakeTable
		}
	}
	if known && inMap == op.IsElem {
		return refuse(CodeObject, "key in a list or element in a map")
	}
	if !op.IsElem {
		if op.Insert {
			return refuse(CodeKey, "insert under a key")
		}
		return nil
	}
	if op.Elem.IsZero() {
		if !op.Insert {
			return refuse(CodeKey, "element missing")
		}
		return nil
	}
	if !c.earlier(op.Elem, op) {
		return refuse(CodeKey, "element made by a later operation")
	}
	if at := c.own(op.Elem); at != nil && (!at.Insert || at.Obj != op.Obj) {
		return refuse(CodeKey, "element is not one of this list")
	}
	return nil
}

// checkAction checks that the operation has the parts its action needs and no
// others.
func checkAction(op *Op) *Error {
	if op.Action != Mark && (op.MarkNamed || op.Expand) {
		return refuse(CodeAction, "mark's name or edge without mark")
	}
	if op.Insert && len(op.Pred) > 0 {
		return refuse(CodePred, "insert that replaces something")
	}
	switch op.Action {
	case Set:
		return checkValue(op.Value)
	case MakeMap, MakeList, MakeText, MakeTable:
		if op.Value.Kind != KindNull {
			return refuse(CodeValue, "new object with a value")
		}
	case Delete:
		if op.Value.Kind != KindNull {
			return refuse(CodeValue, "delete with a value")
		}
		if op.Insert || len(op.Pred) == 0 {
			return refuse(CodePred, "delete of nothing")
		}
	case Increment:
		if op.Value.Kind != KindInt && (op.Value.Kind != KindUint || op.Value.Uint > 1<<63-1) {
			return refuse(CodeValue, "increment that is not an integer")
		}
		if op.Insert || len(op.Pred) == 0 {
			return refuse(CodePred, "increment of nothing")
		}
	case Mark:
		if !op.Insert {
			return refuse(CodeAction, "mark that is not inserted")
		}
		if !op.MarkNamed && op.Value.Kind != KindNull {
			return refuse(CodeValue, "end of a mark with a value")
		}
		if !utf8.ValidString(op.MarkName) {
			return refuse(CodeText, "mark's name is not UTF-8")
		}
		return checkValue(op.Value)
	default:
		return refuse(CodeAction, "unknown action")
	}
	return nil
}

func checkValue(v Value) *Error {
	switch {
	case v.Kind > KindUnknown:
		return refuse(CodeValue, "unknown kind of value")
	case v.Kind == KindUnknown && (v.Code < uint8(KindUnknown) || v.Code > 15):
		return refuse(CodeValue, "unknown type out of range")
	case v.Kind == KindString && !utf8.ValidString(v.Str):
		return refuse(CodeText, "string is not UTF-8")
	}
	return nil
}

func (c *Change) checkPreds(op *Op) *Error {
	for i, p := range op.Pred {
		if i > 0 && op.Pred[i-1].Compare(p) >= 0 {
			return refuse(CodePred, "predecessors not sorted or repeated")
		}
		if p.Counter == 0 || !c.earlier(p, op) {
			return refuse(CodePred, "predecessor that is not earlier")
		}
		was := c.own(p)
		if was == nil {
			continue
		}
		if was.Action == Delete || was.Action == Increment || was.Action == Mark {
			return refuse(CodePred, "predecessor without a value")
		}
		if was.Obj != op.Obj || was.IsElem != op.IsElem || was.place() != op.place() {
			return refuse(CodePred, "predecessor under another key")
		}
	}
	return nil
}

// place is what two operations on the same value have in common inside their
// object: the key, or the element that was inserted.
func (op *Op) place() (p struct {
	key  string
	elem OpID
}) {
	p.key, p.elem = op.Key, op.Elem
	if op.Insert {
		p.elem = op.ID
	}
	return p
}
