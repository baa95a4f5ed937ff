package admit

import (
	"errors"
	"strings"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
)

// MaxEntries is how many entries one change of the log may hold, and how many
// operations an edit of the plan that is not the server's. A phone writes one
// entry or one field in a change, so that what is refused takes nothing else
// with it; 64 leave room for scripts that gather.
const MaxEntries = 64

// What a change from the network may cost. A whole change fits into one frame
// with its sync payload. The plan's bounds are those of what the server writes
// in one change when a site begins, which comes back from phones after a
// restore. Operations that are claimed but not written out stop early: an
// entry takes a hundred bytes, and of what a plan is made of nothing takes
// less than four.
var (
	logLimits  = change.Limits{Chunk: 512 << 10, Inflated: 768 << 10, Ratio: 32, Ops: MaxEntries, OpBytes: 32, Preds: MaxEntries, Deps: 256}
	planLimits = change.Limits{Chunk: 512 << 10, Inflated: 768 << 10, Ratio: 32, Ops: 10_000, OpBytes: 4, Preds: 20_000, Deps: 256}
)

// Limits gives the bounds of a change of the document.
func Limits(doc string) change.Limits {
	if IsLog(doc) {
		return logLimits
	}
	return planLimits
}

// Reading is a change that was found well formed for its document.
type Reading struct {
	Change  *change.Change
	Doc     string
	Entries []*logbook.Entry // of a log, in the order of the change
	// Claim is the device that the change says it is of; "" for an edit of the
	// plan, which does not say.
	Claim string
}

// IsLog reports whether the document is a month of the log; the only other
// one is the plan.
func IsLog(doc string) bool { return strings.HasPrefix(doc, "log/") }

// Read judges what the change alone and the document's name can show. The
// reading is there also when the verdict, nil for a good change, refuses it,
// and then holds what could be read.
func Read(doc string, c *change.Change) (*Reading, *Verdict) {
	r := &Reading{Change: c, Doc: doc}
	if len(c.Ops) == 0 {
		return r, refuse(CodeEntry, "the change holds nothing")
	}
	if IsLog(doc) {
		return r, r.readLog()
	}
	return r, r.readPlan()
}

// RefuseDecode words the error of change.Decode.
func RefuseDecode(err error) *Verdict {
	code := CodeDecode
	var ce *change.Error
	if errors.As(err, &ce) {
		switch ce.Code {
		case change.CodeSize:
			code = CodeSize
		case change.CodeExtra:
			code = CodeExtra
		case change.CodePred:
			code = CodePred
		case change.CodeObject:
			code = CodeObject
		case change.CodeStart:
			code = CodeStartOp
		case change.CodeSeq:
			code = CodeSeq
		}
		return refuse(code, "the change cannot be read: "+ce.Detail)
	}
	return refuse(code, "the change cannot be read")
}

func (r *Reading) readLog() *Verdict {
	c := r.Change
	if c.Message == ServerMessage {
		r.Claim = ServerDevice
	}
	var first *Verdict
	keep := func(v *Verdict) {
		if first == nil && v != nil {
			first = v
		}
	}
	seen := make(map[string]bool, len(c.Ops))
	for i := range c.Ops {
		op := &c.Ops[i]
		e, v := readEntry(r.Doc, op)
		if e != nil {
			r.Entries = append(r.Entries, e)
			if v == nil && seen[op.Key] {
				v = refuse(CodeTaken, "the change writes the entry "+quote(op.Key)+" twice").about(op.Key)
			}
			seen[op.Key] = true
		}
		keep(v)
	}
	for _, e := range r.Entries {
		switch {
		case c.Message == ServerMessage: // may hold entries of others that were accepted
		case r.Claim == "":
			r.Claim = e.Dev
		case r.Claim != e.Dev:
			keep(refuse(CodeDev, "dev: entries of two devices stand in one change").about(string(e.ID)))
		}
	}
	return first
}

// readEntry reads one operation of a log: a scalar string under a new key of
// the root. The entry is given also when it stands in the wrong place.
func readEntry(doc string, op *change.Op) (*logbook.Entry, *Verdict) {
	switch {
	case op.Action == change.Delete:
		return nil, refuse(CodeDelete, "a log entry is never deleted").about(op.Key)
	case op.Action == change.MakeText:
		return nil, refuse(CodeObject, "a log entry must be a scalar string, not collaborative text").about(op.Key)
	case op.Action != change.Set || op.IsElem:
		return nil, refuse(CodeObject, "a log holds scalar strings under keys and nothing else").about(op.Key)
	case !op.Obj.IsZero():
		return nil, refuse(CodeObject, "a log entry must stand at the root").about(op.Key)
	case op.Value.Kind != change.KindString:
		return nil, refuse(CodeEntry, "a log entry must be a string").about(op.Key)
	}
	e, err := logbook.ParseEntry([]byte(op.Value.Str))
	if err != nil {
		code := CodeEntry
		var p *logbook.Problem
		if errors.As(err, &p) && p.Field == "kind" {
			code = CodeKind
		}
		return nil, refuse(code, err.Error()).about(op.Key)
	}
	switch {
	case len(op.Pred) > 0:
		return e, refuse(CodePred, "a log entry is never overwritten").about(op.Key)
	case logbook.EntryID(op.Key).Valid() != nil:
		return e, refuse(CodeKey, "the key must be an entry id").about(string(e.ID))
	case string(e.ID) != op.Key:
		return e, refuse(CodeKey, "id: the entry stands under another key than its id").about(string(e.ID))
	case e.ID.Document() != doc:
		return e, refuse(CodeMonth, "id: the entry belongs to "+e.ID.Document()).about(op.Key)
	}
	return e, nil
}

func (r *Reading) readPlan() *Verdict {
	c := r.Change
	if c.Message == ServerMessage {
		r.Claim = ServerDevice
	} else if len(c.Ops) > MaxEntries {
		return refuse(CodeSize, "the change edits more of the plan than one change may")
	}
	for i := range c.Ops {
		op := &c.Ops[i]
		switch {
		case op.Action == change.Delete:
			return refuse(CodeDelete, quote(op.Key)+": items and fields of the plan are retired, never deleted")
		case op.IsElem, op.Action != change.Set && op.Action != change.MakeMap:
			return refuse(CodeObject, quote(op.Key)+": the plan holds maps of scalar values and nothing else")
		case op.Action == change.MakeMap && r.Claim != ServerDevice:
			return refuse(CodeObject, quote(op.Key)+": items of the plan are made by the server alone")
		case op.Action == change.Set && op.Obj.IsZero():
			return refuse(CodeObject, quote(op.Key)+": nothing but its five maps stands at the root of the plan")
		}
	}
	return nil
}

// Targets gives the entries that these entries void or replace, and that are
// not among them.
func (r *Reading) Targets() []logbook.EntryID {
	var out []logbook.EntryID
	for _, e := range r.Entries {
		for _, t := range targets(e) {
			if r.entry(t) == nil {
				out = append(out, t)
			}
		}
	}
	return out
}

func targets(e *logbook.Entry) []logbook.EntryID {
	var out []logbook.EntryID
	if e.Kind == logbook.Void && e.Of != "" {
		out = append(out, e.Of)
	}
	if e.Replaces != "" {
		out = append(out, e.Replaces)
	}
	return out
}

func (r *Reading) entry(id logbook.EntryID) *logbook.Entry {
	for _, e := range r.Entries {
		if e.ID == id {
			return e
		}
	}
	return nil
}
