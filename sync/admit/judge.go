package admit

import (
	"slices"
	"strconv"

	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/sync/change"
)

// Knowledge answers what a judgement rests on. All of it is in memory: who
// asks sees to it that the months of all Targets, the devices of all actors
// and the author of the reading's device were looked up before.
type Knowledge interface {
	// MaxOp is the greatest operation counter of the changes and their ancestors.
	MaxOp(of []change.Hash) uint64
	// Last is the newest change of an actor in the document; seq 0 for none.
	Last(change.Actor) (seq uint64, hash change.Hash)
	// Reaches reports whether h is one of the changes or an ancestor of one.
	Reaches(from []change.Hash, h change.Hash) bool
	// ActorDevice is the device an actor is bound to at the site; "" for none.
	ActorDevice(change.Actor) string
	// Author is a device of the site with its people.
	Author(device string) (Author, bool)
	// Entry gives the person who wrote an entry, of any month.
	Entry(logbook.EntryID) (person string, ok bool)
	// Plan is what the document holds, when it is the plan.
	Plan() *Plan
}

// Sender is who brings a change.
type Sender struct {
	Author
	Restore bool  // the restore window is open
	Now     int64 // ms since 1970
}

// Judge judges a change whose dependencies are all in the document.
func (r *Reading) Judge(from Sender, know Knowledge) Verdict {
	device, v := r.author(from, know)
	if v == nil {
		v = r.follows(know)
	}
	if v == nil {
		v = r.structure(know)
	}
	if v != nil { // wrong whoever made it
		v.Device = device
		return *v
	}
	if device == from.Device {
		v := r.rights(from.Author, from.Now, know)
		switch {
		case v == nil:
			return Verdict{Device: device}
		case r.Claim == "" && know.ActorDevice(r.Change.Actor) == "":
			// An edit of the plan does not say whose it is, and nobody has used
			// the actor yet: it may be a manager's, brought by another phone.
			if from.Restore {
				return Verdict{Device: device, How: Restored}
			}
			v.Outcome = Held
			return *v
		}
		v.Device = device
		return *v
	}
	return r.foreign(device, from, know)
}

// JudgeAlone judges the entries of another author's log change by themselves:
// whatever the change builds on, whichever of them are in the log, and whoever
// has its actor. It says whether the server may write those that are missing.
func (r *Reading) JudgeAlone(from Sender, know Knowledge) Verdict {
	if r.Claim == "" || r.Claim == from.Device {
		v := refuse(CodeDepends, "the change builds on one that was refused")
		v.Device = r.Claim
		return *v
	}
	return r.foreign(r.Claim, from, know)
}

// foreign judges a change of another author than the one who brings it.
func (r *Reading) foreign(device string, from Sender, know Knowledge) Verdict {
	held := func(code, reason, entry string) Verdict {
		return Verdict{Outcome: Held, Code: code, Reason: reason, Entry: entry, Device: device}
	}
	how := ""
	switch {
	case from.Relay:
		how = Relayed
	case from.Restore:
		how = Restored
	default:
		return held(CodeDev, "dev: the change was made by "+device+", which has not confirmed it yet", "")
	}
	if device == ServerDevice {
		return Verdict{Device: device, How: how}
	}
	author, known := know.Author(device)
	if !known {
		// A server restored from a backup may have lost the device itself. The
		// window says that what the phones hold is to be believed.
		if from.Restore {
			return Verdict{Device: device, How: Restored}
		}
		return held(CodeDev, "dev: "+device+" is not a device of this site", "")
	}
	if author.Revoked != 0 {
		if !IsLog(r.Doc) {
			return held(CodeDev, "dev: "+device+" is revoked", "")
		}
		for _, e := range r.Entries {
			if e.ID.Time() >= author.Revoked {
				return held(CodeDev, "dev: the entry is of a time when "+device+" was revoked", string(e.ID))
			}
		}
	}
	if v := r.rights(author, from.Now, know); v != nil {
		if v.Code == CodeBy && from.Restore && lost(author, v.Entry, r) {
			return Verdict{Device: device, How: Restored}
		}
		return held(v.Code, v.Reason, v.Entry)
	}
	return Verdict{Device: device, How: how}
}

// lost reports that the server knows nothing of the entry's author on the
// device, as after a backup from before the person was enrolled.
func lost(a Author, entry string, r *Reading) bool {
	e := r.entry(logbook.EntryID(entry))
	return e != nil && !slices.ContainsFunc(a.People, func(p Person) bool { return p.ID == e.By })
}

// author finds the device that the change is of.
func (r *Reading) author(from Sender, know Knowledge) (string, *Verdict) {
	bound := know.ActorDevice(r.Change.Actor)
	switch {
	case bound == "" && r.Claim == "":
		return from.Device, nil // an edit by a new actor: of whoever brings it first
	case bound == "":
		return r.Claim, nil
	case r.Claim == "" || r.Claim == bound:
		return bound, nil
	}
	return r.Claim, refuse(CodeActor, "actor: it belongs to "+bound+", not to "+quote(r.Claim))
}

// follows checks number and operation counters.
func (r *Reading) follows(know Knowledge) *Verdict {
	c := r.Change
	seq, last := know.Last(c.Actor)
	switch {
	case c.Seq <= seq:
		return refuse(CodeSeq, "seq: the actor has another change with number "+strconv.FormatUint(c.Seq, 10))
	case c.Seq != seq+1:
		return refuse(CodeSeq, "seq: the actor's change number "+strconv.FormatUint(seq+1, 10)+" is missing")
	case seq > 0 && !know.Reaches(c.Deps, last):
		return refuse(CodeSeq, "seq: the change does not depend on the actor's change before it")
	case c.StartOp != know.MaxOp(c.Deps)+1:
		return refuse(CodeStartOp, "startOp: the operations do not count on from the dependencies")
	}
	return nil
}

func (r *Reading) structure(know Knowledge) *Verdict {
	if !IsLog(r.Doc) {
		return r.planStructure(know)
	}
	for _, e := range r.Entries {
		if _, taken := know.Entry(e.ID); taken {
			return refuse(CodeTaken, "id: the entry is in the log already").about(string(e.ID))
		}
	}
	return nil
}

// planStructure checks that every map is one of the plan's, that every value
// fits its field and that predecessors are ancestors: a client that gets this
// change before the one it names would break.
func (r *Reading) planStructure(know Knowledge) *Verdict {
	c, plan := r.Change, know.Plan()
	made := map[change.OpID]Place{}
	for i := range c.Ops {
		op := &c.Ops[i]
		at, ok := made[op.Obj]
		if !ok && !op.Obj.IsZero() {
			if at, ok = plan.Place(op.Obj); ok {
				id, _ := plan.maker(op.Obj)
				ok = know.Reaches(c.Deps, id)
			}
		}
		switch {
		case op.Action == change.MakeMap:
			place, v := newPlace(op, at, ok)
			if v != nil {
				return v
			}
			if _, there := plan.Map(place); there {
				return refuse(CodeObject, quote(op.Key)+": the plan has this map already")
			}
			made[op.ID] = place
		case !ok:
			return refuse(CodeObject, quote(op.Key)+": the plan has no such item")
		case at.Item == "" && at.Collection != logbook.SiteCollection:
			return refuse(CodeObject, quote(op.Key)+": a collection holds items and nothing else")
		default:
			if why := CheckField(at.Collection, op.Key, op.Value); why != "" {
				return refuse(CodeField, at.Collection+"."+quote(op.Key)+": "+why)
			}
		}
		for _, p := range op.Pred {
			if p.Actor == c.Actor && p.Counter >= c.StartOp {
				continue // in this change; its decoder has looked at it
			}
			by, ok := plan.writer(op.Obj, op.Key, p)
			if !ok || !know.Reaches(c.Deps, by) {
				return refuse(CodePred, quote(op.Key)+": a predecessor is not among the ancestors")
			}
		}
	}
	return nil
}

// newPlace says where a map hangs that the server makes.
func newPlace(op *change.Op, in Place, ok bool) (Place, *Verdict) {
	switch {
	case len(op.Pred) > 0:
		return Place{}, refuse(CodePred, quote(op.Key)+": a new map replaces nothing")
	case op.Obj.IsZero():
		if slices.Contains(logbook.Collections(), op.Key) {
			return Place{Collection: op.Key}, nil
		}
	case ok && in.Item == "" && in.Collection != logbook.SiteCollection && logbook.ItemID(op.Key):
		return Place{in.Collection, op.Key}, nil
	}
	return Place{}, refuse(CodeObject, quote(op.Key)+": the plan has no place for this map")
}

// rights checks that the people on the author's device may do this.
func (r *Reading) rights(a Author, now int64, know Knowledge) *Verdict {
	if a.Server {
		return nil
	}
	if !IsLog(r.Doc) {
		return r.planRights(a, now, know)
	}
	for _, e := range r.Entries {
		if v := r.entryRights(e, a, know); v != nil {
			return v.about(string(e.ID))
		}
	}
	return nil
}

// roles gives the roles that a person of the device held at an instant.
func (a Author) roles(person string, at int64) (roles []Role, enrolled bool) {
	for _, p := range a.People {
		if person != "" && p.ID != person {
			continue
		}
		enrolled = true
		if p.holds(at) {
			roles = append(roles, p.Role)
		}
	}
	return roles, enrolled
}

func (r *Reading) entryRights(e *logbook.Entry, a Author, know Knowledge) *Verdict {
	roles, enrolled := a.roles(e.By, e.ID.Time())
	switch {
	case e.Dev != a.Device:
		return refuse(CodeDev, "dev: the entry names another device than its author's")
	case !enrolled:
		return refuse(CodeBy, "by: "+e.By+" is not enrolled on "+a.Device)
	case len(roles) == 0:
		return refuse(CodeBy, "by: "+e.By+" had no access here at the time of the entry")
	case !slices.ContainsFunc(roles, func(x Role) bool { return rights.MayWrite(rights.Role(x), e.Kind) }):
		if rights.OnlyServer(e.Kind) {
			return refuse(CodeKind, "kind: only the server writes "+string(e.Kind))
		}
		return refuse(CodeRights, "kind: "+e.By+" may not write "+string(e.Kind)+" as "+string(roles[0]))
	case !slices.ContainsFunc(roles, func(x Role) bool { return rights.MayRecord(rights.Role(x), e) }):
		return refuse(CodeRights, "baseline: "+e.By+" may not set a baseline as "+string(roles[0]))
	case !slices.ContainsFunc(a.People, func(p Person) bool {
		return p.ID == e.By && p.holds(e.ID.Time()) && rights.MayRecord(rights.Role(p.Role), e) && p.within(e)
	}):
		return refuse(CodeRights, "gate: the access of "+e.By+" is limited to certain gates or doings, and this entry is of none of them")
	}
	for _, t := range targets(e) {
		person, here := know.Entry(t)
		if other := r.entry(t); other != nil {
			person, here = other.By, true
		}
		any := slices.ContainsFunc(roles, func(x Role) bool { return rights.MayVoid(rights.Role(x), false) })
		own := slices.ContainsFunc(roles, func(x Role) bool { return rights.MayVoid(rights.Role(x), true) })
		switch {
		case any:
		case !here && own && t.Document() != r.Doc:
			// Months travel apart: the entry may be on its way.
			v := refuse(CodeUnknownEntry, "of: the entry "+string(t)+" has not arrived yet")
			v.Outcome = Held
			return v
		case !here:
			return refuse(CodeUnknownEntry, "of: there is no entry "+string(t))
		case !own || person != e.By:
			return refuse(CodeRights, "of: "+e.By+" may not void an entry of "+person+" as "+string(roles[0]))
		}
	}
	return nil
}

func (r *Reading) planRights(a Author, now int64, know Knowledge) *Verdict {
	roles, _ := a.roles("", now)
	if len(roles) == 0 {
		return refuse(CodeBy, "nobody on "+a.Device+" has access here now")
	}
	plan := know.Plan()
	for i := range r.Change.Ops {
		op := &r.Change.Ops[i]
		at, _ := plan.Place(op.Obj)
		if !slices.ContainsFunc(roles, func(x Role) bool { return rights.MayEdit(rights.Role(x), at.Collection, op.Key) }) {
			return refuse(CodeRights, at.Collection+"."+quote(op.Key)+": nobody on "+a.Device+" may edit it")
		}
	}
	return nil
}

// Covered reports that what is known of the author's people is enough to
// judge the change. When it is not, they should be looked up before: a person
// may have been enrolled on the device since.
func (r *Reading) Covered(a Author, now int64) bool {
	if !IsLog(r.Doc) || len(r.Targets()) > 0 {
		return false
	}
	for _, e := range r.Entries {
		roles, _ := a.roles(e.By, e.ID.Time())
		if !slices.ContainsFunc(roles, func(x Role) bool { return rights.MayRecord(rights.Role(x), e) }) {
			return false
		}
	}
	return true
}
