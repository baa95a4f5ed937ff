package hub

import (
	"cmp"
	"crypto/sha256"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/graph"
)

// judge decides about each change of an item, deps first, and stages what is
// admitted. A change waits for others of the same item that it depends on.
func (s *Site) judge(d *document, it *item) {
	it.tell, it.rescued = nil, nil
	switch it.kind {
	case fromWrite:
		if it.err == nil { // else given up
			s.stageEntries(d, it, it.entries)
		}
		return
	case fromPlan:
		s.stagePlan(d, it)
		return
	}
	for _, in := range depsFirst(it.incoming) {
		s.judgeOne(d, it, in)
	}
	if len(it.rescued) > 0 {
		s.stageEntries(d, it, it.rescued)
	}
}

// depsFirst puts each change behind those of the list that it depends on, and
// else leaves the order as it is. It goes through every dependency once,
// whatever order they came in.
func depsFirst(list []*incoming) []*incoming {
	byHash := make(map[change.Hash]int, len(list))
	for i, in := range list {
		byHash[in.hash] = i // of the same change twice, the later
	}
	type visit struct{ at, dep int }
	out := make([]*incoming, 0, len(list))
	begun := make([]bool, len(list))
	var stack []visit
	for i := range list {
		if begun[i] {
			continue
		}
		begun[i] = true
		stack = append(stack, visit{at: i})
		for len(stack) > 0 {
			v := &stack[len(stack)-1]
			in := list[v.at]
			if in.reading == nil || v.dep == len(in.reading.Change.Deps) {
				out = append(out, in)
				stack = stack[:len(stack)-1]
				continue
			}
			dep, ok := byHash[in.reading.Change.Deps[v.dep]]
			v.dep++
			if ok && !begun[dep] {
				begun[dep] = true
				stack = append(stack, visit{at: dep})
			}
		}
	}
	return out
}

func (s *Site) judgeOne(d *document, it *item, in *incoming) {
	if d.g.Has(in.hash) {
		return
	}
	b := d.blocked[in.hash]
	if it.kind == fromHeld && b != nil && s.arrived(d, in) {
		s.unhold(d, b, in, admit.CodeTaken, "id: the entry is in the log already")
		return
	}
	if b != nil {
		it.tell = append(it.tell, in.hash)
		if !b.held {
			return
		}
	}
	if in.verdict != nil {
		s.refuse(d, it, in, *in.verdict)
		return
	}
	if v, ok := d.turned[in.hash]; ok {
		s.refuse(d, it, in, v)
		return
	}
	c := in.reading.Change
	blocked, waits, missing := false, true, false
	for _, dep := range c.Deps {
		switch on := d.blocked[dep]; {
		case on != nil:
			blocked = true
			waits = waits && on.held
		case !d.g.Has(dep):
			missing = true
		}
	}
	if missing && it.kind == fromHeld {
		// It was there when this was held, and was let go of before the server
		// was last started.
		blocked, waits = true, false
	}
	switch {
	case blocked && !waits && s.rescue(d, it, in, b):
	case blocked && b != nil:
		// Held before, and now for this: its author, when that is who brings it,
		// must know to record it anew.
		b.code, b.reason = admit.CodeDepends, "the change builds on one that is not taken"
		if in.from.Device == b.device {
			b.via = in.from.Device // and its word holds when what it builds on has come
		}
	case blocked:
		v := admit.Verdict{Outcome: admit.Refused, Code: admit.CodeDepends,
			Reason: "the change builds on one that was refused", Device: in.reading.Claim}
		if waits {
			v.Outcome, v.Reason = admit.Held, "the change builds on one that waits to be confirmed"
			s.hold(d, it, in, v)
			return
		}
		s.block(d, it, in, v)
	case missing:
		s.orphan(d, it, in)
	default:
		s.verdict(d, it, in)
	}
}

// rescue deals with a change of another author that can never come in as it is,
// because it builds on one whose entry its author has recorded anew, because
// some of its own entries are in the log already, or because its actor was
// bound to another device: an edit of the plan does not say whose it is, and
// after a restore whoever brings it first has its actor. Its author may be gone for
// good. If the bringer is believed, the server writes the entries that are
// missing; else the change is held until that may be.
func (s *Site) rescue(d *document, it *item, in *incoming, b *block) bool {
	r := in.reading
	if !admit.IsLog(d.name) || r.Claim == "" || r.Claim == in.from.Device || s.revoked[in.from.Device] {
		return false // its author is here and records it anew
	}
	missing := slices.DeleteFunc(slices.Clone(r.Entries), func(e *logbook.Entry) bool {
		_, there := d.persons[e.ID]
		return there
	})
	if len(missing) == 0 {
		return false
	}
	from := admit.Sender{Author: in.from.Author, Restore: s.now < s.restoreUntil, Now: s.now}
	from.Device = in.from.Device
	v := r.JudgeAlone(from, knowledge{s, d})
	if v.Outcome == admit.Held {
		// Its author, when told, must know to record it anew.
		v.Code, v.Reason = admit.CodeDepends, "the change builds on one that is not taken"
	}
	switch {
	case v.Outcome == admit.Refused:
		return false
	case v.Outcome == admit.Held && b != nil:
		b.code, b.reason = v.Code, v.Reason
	case v.Outcome == admit.Held:
		s.hold(d, it, in, v)
	default:
		// A held one is let go of when its entries have arrived.
		if b != nil || s.block(d, it, in, admit.Verdict{Code: admit.CodeTaken, Outcome: admit.Refused,
			Reason: "the change builds on one that was refused; the server has written its entries", Device: v.Device}) {
			s.mark(d, in, v, missing)
			it.rescued = append(it.rescued, missing...)
		}
	}
	return true
}

// verdict asks for the judgement of a change whose deps are all there.
func (s *Site) verdict(d *document, it *item, in *incoming) {
	if s.revoked[in.from.Device] {
		if it.kind != fromHeld {
			// Its connection is closed. The change is kept but not remembered,
			// for another device may bring it and be right to.
			s.quarantine(d, in, admit.Verdict{Code: admit.CodeRevoked, Reason: "the device " + in.from.Device + " is revoked"})
		}
		return
	}
	if c := d.lost[in.hash]; c != nil {
		s.stage(d, it, in.reading, c.Device, cmp.Or(c.Via, c.Device))
		return
	}
	from := admit.Sender{Author: in.from.Author, Restore: s.now < s.restoreUntil, Now: s.now}
	from.Device = in.from.Device
	v := in.reading.Judge(from, knowledge{s, d})
	switch v.Outcome {
	case admit.Refused:
		actor := v.Code == admit.CodeActor && in.reading.Claim != admit.ServerDevice // whose actors no phone has
		if v.Code != admit.CodeTaken && !actor || !s.rescue(d, it, in, d.blocked[in.hash]) {
			s.refuse(d, it, in, v)
		}
	case admit.Held:
		s.hold(d, it, in, v)
	default:
		via := in.from.Device
		if b := d.blocked[in.hash]; b != nil && b.via == v.Device {
			v.How, via = "", v.Device // its author had brought it already; it waited for another
		}
		s.mark(d, in, v, in.reading.Entries)
		s.stage(d, it, in.reading, v.Device, via)
	}
}

// orphan keeps a change until what it depends on has come.
func (s *Site) orphan(d *document, it *item, in *incoming) {
	c, p := s.conns[it.conn], d.peers[it.conn]
	if it.kind == fromHeld || c == nil || p == nil {
		return
	}
	ch := in.reading.Change
	if !p.Hold(graph.Node{Hash: ch.Hash, Deps: ch.Deps, Actor: ch.Actor, Seq: ch.Seq, MaxOp: ch.MaxOp(), Bytes: ch.Bytes}) {
		s.complain(c, CloseTooMany, "deps: too many changes wait for their dependencies")
		return
	}
	s.keep(c, p)
}

// block remembers a change that is not taken. False means that too many are
// remembered already; the peer that brings more is turned away.
func (s *Site) block(d *document, it *item, in *incoming, v admit.Verdict) bool {
	old := d.blocked[in.hash]
	if old == nil && len(d.blocked) >= MaxBlocked {
		if c := s.conns[it.conn]; c != nil {
			s.complain(c, CloseTooMany, "too many changes of this document were refused")
		}
		return false
	}
	b := &block{code: v.Code, reason: v.Reason, held: v.Outcome == admit.Held, reading: in.reading,
		via: in.from.Device, device: v.Device}
	if in.reading != nil {
		b.deps = in.reading.Change.Deps
		b.entries = entryIDs(in.reading)
	}
	if len(b.entries) == 0 && v.Entry != "" {
		b.entries = []string{v.Entry}
	}
	if old != nil && old.held {
		d.heldSize -= len(in.bytes)
	}
	if !b.held {
		b.reading = nil // only what is held is looked at again
	}
	d.blocked[in.hash] = b
	d.group.turned = true
	it.tell = append(it.tell, in.hash)
	return true
}

func (s *Site) hold(d *document, it *item, in *incoming, v admit.Verdict) {
	if old := d.blocked[in.hash]; old != nil {
		// Held already, and in the store. Its author's word stands, and else that
		// of who brought it first.
		switch {
		case in.from.Device == old.device:
			old.via = in.from.Device
		case old.via == old.device:
			return
		}
		old.code, old.reason = v.Code, v.Reason
		return
	}
	if s.arrived(d, in) { // nothing is left to wait for
		s.block(d, it, in, admit.Verdict{Outcome: admit.Refused, Code: admit.CodeTaken,
			Reason: "id: the entry is in the log already", Device: v.Device})
		return
	}
	if d.heldSize+len(in.bytes) > MaxHeldSize {
		if c := s.conns[it.conn]; c != nil {
			s.complain(c, CloseTooMany, "too much of this document waits to be confirmed")
		}
		return
	}
	if !s.block(d, it, in, v) {
		return
	}
	d.heldSize += len(in.bytes)
	s.stats.Held++
	g := d.group
	g.keep.Held = append(g.keep.Held, HeldChange{Doc: d.name, DocID: d.id, Hash: in.hash, Bytes: in.bytes,
		AuthorDevice: v.Device, Via: in.from.Device, Code: v.Code, At: s.now})
}

// arrived reports that all that a change to be held brings is in the log already, in
// other changes and durably: its author has recorded it once more. An id never
// becomes free, so it will never be admitted.
func (s *Site) arrived(d *document, in *incoming) bool {
	for _, e := range in.reading.Entries {
		if _, there := d.persons[e.ID]; !there {
			return false
		}
		for i := range d.group.batch.Changes {
			if slices.ContainsFunc(d.group.batch.Changes[i].Entries, func(r EntryRow) bool { return r.ID == string(e.ID) }) {
				return false
			}
		}
	}
	return len(in.reading.Entries) > 0
}

// unhold lets go of a held change. Peers that still have it are told that it
// is refused.
func (s *Site) unhold(d *document, b *block, in *incoming, code, reason string) {
	d.heldSize -= len(in.bytes)
	b.held, b.reading = false, nil
	b.code, b.reason = code, reason
	d.group.turned = true
	d.group.keep.DocID = d.id
	d.group.keep.Unheld = append(d.group.keep.Unheld, in.hash)
}

// refuse turns a change away for good and keeps it for a manager to look at.
// What is held of others is never refused on looking again: only a person
// decides that. What its own author brought is as if it came now; it had only
// waited for what it builds on.
func (s *Site) refuse(d *document, it *item, in *incoming, v admit.Verdict) {
	b := d.blocked[in.hash]
	own := b != nil && in.from.Device == b.device
	if it.kind == fromHeld && !own {
		if b != nil {
			b.code, b.reason = v.Code, v.Reason
		}
		return
	}
	if s.spent(in.from.Device) {
		if c := s.conns[it.conn]; c != nil {
			s.complain(c, CloseTooMany, "too many changes of this device were refused")
		}
		return // one that is held is so for the same reason as before
	}
	if own && b.held {
		s.unhold(d, b, in, v.Code, v.Reason)
		s.quarantine(d, in, v)
		return
	}
	if s.block(d, it, in, v) {
		s.quarantine(d, in, v)
	}
}

// budget is how many more refused changes of a device are kept for now.
type budget struct{ left, at int64 }

func (b *budget) fill(now int64) {
	if more := (now - b.at) / refusalEvery; more > 0 {
		b.left, b.at = min(MaxRefusals, b.left+more), b.at+more*refusalEvery
	}
}

// spent takes one from a device's budget and reports that there was none left:
// a device must not be able to fill the disk with what nobody wants.
func (s *Site) spent(device string) bool {
	b := s.budgets[device]
	if b == nil {
		b = &budget{left: MaxRefusals, at: s.now}
		s.budgets[device] = b
	}
	b.fill(s.now)
	if b.left == 0 {
		return true
	}
	b.left--
	return false
}

func (s *Site) quarantine(d *document, in *incoming, v admit.Verdict) {
	s.stats.Refused++
	q := Quarantined{ID: quarantineID(s.cfg.Site, d.name, in.hash), Doc: d.name, Hash: in.hash, Device: in.from.Device,
		Code: v.Code, Reason: v.Reason, Bytes: in.bytes, At: s.now}
	if len(q.Bytes) > maxQuarantine {
		q.Bytes = q.Bytes[:maxQuarantine]
	}
	if r := in.reading; r != nil {
		if len(r.Entries) > 0 {
			q.Person = r.Entries[0].By
		}
		if admit.IsLog(d.name) {
			q.Entries = rawEntries(r.Change)
		}
	}
	d.group.keep.Quarantined = append(d.group.keep.Quarantined, q)
}

// stage puts an admitted change into the batch and into memory. Nobody hears
// of it before the batch is durable.
func (s *Site) stage(d *document, it *item, r *admit.Reading, device, via string) {
	c := r.Change
	row := StoredChange{Hash: c.Hash, Actor: c.Actor, Seq: c.Seq, Deps: c.Deps, Bytes: c.Bytes,
		ReceivedAt: s.now, Device: device}
	if via != device {
		row.Via = via
	}
	for _, e := range r.Entries {
		row.Entries = append(row.Entries, EntryRow{ID: string(e.ID), Person: e.By})
	}
	d.group.batch.Changes = append(d.group.batch.Changes, row)
	d.group.from[c.Hash] = &staged{reading: r, via: via, item: it}
	if b := d.blocked[c.Hash]; b != nil {
		if b.held {
			d.heldSize -= len(c.Bytes)
		}
		delete(d.blocked, c.Hash)
	}
	s.actors[c.Actor] = device
	d.add(c, row.Entries)
}

// mark notes how an entry came in, when its author did not bring it, or when
// it had waited until the author did.
func (s *Site) mark(d *document, in *incoming, v admit.Verdict, entries []*logbook.Entry) {
	how, via := v.How, in.from.Device
	if b := d.blocked[in.hash]; how == "" && b != nil && b.via != "" && b.via != v.Device {
		how, via = admit.Relayed, b.via
	}
	if how == "" {
		return
	}
	for _, e := range entries {
		if e.Kind == logbook.Admitted {
			continue
		}
		raw, err := s.admittedEntry(e.ID, how, via)
		if err != nil {
			s.emit(Trouble{Doc: d.name, Err: err})
			continue
		}
		d.group.marks = append(d.group.marks, raw)
	}
}

// admittedEntry writes the entry that says how another one came in. Its id
// follows from what it says and from the instant, so that the machine draws
// nothing at random; it is greater than the one it is about.
func (s *Site) admittedEntry(of logbook.EntryID, how, via string) ([]byte, error) {
	sum := sha256.Sum256([]byte(s.cfg.Site + "\n" + string(of) + "\n" + how + "\n" + via))
	id := logbook.NewEntryID(max(s.now, of.Time()), [10]byte(sum[:10]))
	if id <= of {
		next, err := logbook.Next(of)
		if err != nil {
			return nil, err
		}
		id = next
	}
	return logbook.Entry{ID: id, Kind: logbook.Admitted, At: s.now, By: logbook.Server, Dev: logbook.Server,
		Of: of, How: how, Via: via}.Encode()
}
