package hub

import (
	"crypto/sha256"
	"errors"
	"maps"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// itemKind is where changes to a document come from.
type itemKind uint8

const (
	fromPeer    itemKind = iota // a sync message
	fromWaiting                 // a peer's changes whose deps have come
	fromHeld                    // held changes, to be judged again
	fromWrite                   // entries of the server
	fromPlan                    // items and fields of the plan, by the server
)

// item is one thing to be done to a document.
type item struct {
	kind     itemKind
	conn     ConnID
	identity Identity
	size     int
	msg      wire.SyncMessage
	incoming []*incoming
	read     bool

	token    Token
	entries  []*logbook.Entry
	plan     []PlanItem
	attempts int

	// Of a peer's: what is judged again with its word, and what it is to hear
	// about when that is done.
	vouched, owed []change.Hash

	// What came of it.
	tell    []change.Hash
	rescued []*logbook.Entry // of others, to be written by the server
	err     error
}

// incoming is one change of an item, read as far as that goes.
type incoming struct {
	hash    change.Hash
	bytes   []byte
	reading *admit.Reading // nil when it could not be decoded
	verdict *admit.Verdict // of the change alone; nil for a good one
	from    Identity
}

// group is the items that are judged and committed together.
type group struct {
	items   []*item
	authors map[string]*admit.Author // looked up for this group
	sought  map[string]bool          // devices that were asked about, there or not
	asked   bool                     // the lookups were made

	batch Batch
	from  map[change.Hash]*staged
	keep  Keep
	marks [][]byte // admitted entries to be written

	turned bool // a change was refused or held
}

// staged is what came of a change of the batch.
type staged struct {
	reading *admit.Reading
	via     string // the device that brought it
	item    *item
	own     bool // written by the server
}

// run takes the next items of a document, as long as it can.
func (s *Site) run(d *document) {
	if d.state == cold && len(d.queue) > 0 {
		s.load(d)
	}
	for d.state == ready && len(d.queue) > 0 && s.docs[d.name] == d {
		n, size := 1, d.queue[0].size
		for n < min(len(d.queue), MaxGroup) && size+d.queue[n].size <= maxGroupSize {
			size += d.queue[n].size
			n++
		}
		d.group = &group{items: slices.Clone(d.queue[:n]), authors: map[string]*admit.Author{}, sought: map[string]bool{}}
		d.queue = slices.Delete(d.queue, 0, n)
		s.advance(d)
	}
}

// resume goes on with a group that waited for lookups.
func (s *Site) resume(d *document) {
	if d.state != looking || d.months > 0 || len(d.waiting) > 0 {
		return
	}
	if d.failure != nil {
		s.fail(d, d.failure)
		return
	}
	d.state = ready
	s.advance(d)
	s.run(d)
}

// advance brings the group as far as it goes without an answer from outside.
func (s *Site) advance(d *document) {
	for _, it := range d.group.items {
		s.read(d, it)
	}
	if !d.group.asked {
		d.group.asked = true
		if s.look(d) {
			d.state = looking
			return
		}
	}
	s.adopt(d)
	g := d.group
	g.batch = Batch{Site: s.cfg.Site, Doc: d.name, DocID: d.id, Now: s.now}
	g.from, g.keep, g.marks, g.turned = map[change.Hash]*staged{}, Keep{}, nil, false
	for _, it := range g.items {
		s.judge(d, it)
	}
	s.stageMarks(d)
	keeps := len(g.keep.Held)+len(g.keep.Quarantined)+len(g.keep.Unheld) > 0
	if len(g.batch.Changes) == 0 && !keeps {
		s.finish(d)
		return
	}
	d.state = committing
	if len(g.batch.Changes) > 0 {
		s.emit(Append{Token: s.token(d), Batch: g.batch})
	}
	if keeps {
		g.keep.Token = s.token(d)
		s.emit(g.keep)
	}
}

// read decodes an item's changes, once.
func (s *Site) read(d *document, it *item) {
	if it.kind == fromHeld {
		it.incoming = nil // what is held may have changed meanwhile
		for _, h := range slices.SortedFunc(maps.Keys(d.blocked), change.Hash.Compare) {
			if b := d.blocked[h]; b.held && b.via != "" {
				it.incoming = append(it.incoming, &incoming{hash: h, bytes: b.reading.Change.Bytes,
					reading: b.reading, from: Identity{Site: s.cfg.Site, Device: b.via}})
			}
		}
		return
	}
	if it.read || it.kind != fromPeer {
		return
	}
	it.read = true
	// What the changes hold is bounded by the message they came in: honest ones
	// are written out, and deflated ones are not many times smaller.
	lim := admit.Limits(d.name)
	ops, inflated := it.size/8+64, 2*it.size+lim.Inflated
	chunks, work := 0, 0
	for _, chunk := range it.msg.Changes {
		h := chunkHash(chunk)
		if d.g.Has(h) {
			continue
		}
		in := readChunk(d.name, chunk, h, it.identity)
		it.incoming = append(it.incoming, in)
		chunks++
		if in.reading == nil {
			// It may have been read nearly to its end.
			work += min(lim.Ops, len(chunk)/4)
			if inflated -= deflatedBound(chunk, lim); inflated < 0 {
				break
			}
			continue
		}
		n := len(in.reading.Change.Ops)
		work += n
		ops, inflated = ops-n, inflated-len(in.bytes)
		if ops < 0 || inflated < 0 {
			break
		}
	}
	if ops < 0 || inflated < 0 {
		it.incoming = nil
		if c := s.conns[it.conn]; c != nil {
			s.complain(c, CloseTooLarge, "the changes of the message hold more than its size allows")
		}
		return
	}
	if c := s.conns[it.conn]; c != nil {
		s.charge(c, int64(chunks*10/chunksPerFrame+work*10/opsPerFrame))
	}
	it.incoming = append(it.incoming, d.confirmed(it, it.msg.Heads)...)
}

// deflatedBound is what a chunk that could not be read may have been inflated
// to.
func deflatedBound(chunk []byte, lim change.Limits) int {
	const kind, deflated = 8, 2
	if len(chunk) <= kind || chunk[kind] != deflated {
		return 0
	}
	return lim.Inflates(len(chunk))
}

// confirmed gives the held changes that a peer has and can vouch for: its own
// device's, or all if it may relay; those apart that were judged with its word.
// They need not be sent again: whoever names a change says that it has all
// that the change builds on.
func (d *document) confirmed(it *item, named []change.Hash) []*incoming {
	var out []*incoming
	came := make(map[change.Hash]bool, len(it.incoming)+len(it.vouched))
	for _, in := range it.incoming {
		came[in.hash] = true
	}
	for _, h := range it.vouched {
		came[h] = true
	}
	for _, h := range d.causes(named) {
		b := d.blocked[h]
		if !b.held || b.via == it.identity.Device || b.device != it.identity.Device && !it.identity.Author.Relay {
			continue
		}
		if !came[h] {
			out = append(out, &incoming{hash: h, bytes: b.reading.Change.Bytes, reading: b.reading, from: it.identity})
		}
	}
	return out
}

// chunkHash names the change in a chunk: exact for an uncompressed change, and
// else something that stands for these bytes and no others.
func chunkHash(chunk []byte) change.Hash {
	const header = 8 // magic and checksum
	if len(chunk) < header {
		return sha256.Sum256(chunk)
	}
	return sha256.Sum256(chunk[header:])
}

func readChunk(doc string, chunk []byte, h change.Hash, from Identity) *incoming {
	in := &incoming{hash: h, bytes: chunk, from: from}
	c, err := change.Decode(chunk, admit.Limits(doc))
	if err != nil {
		in.verdict = admit.RefuseDecode(err)
		var e *change.Error
		if errors.As(err, &e) && (e.Code == change.CodeChecksum || e.Code == change.CodeMagic) {
			// What the hash is of may be a good change: it must not be
			// remembered as refused.
			in.hash = sha256.Sum256(chunk)
		}
		return in
	}
	in.hash, in.bytes = c.Hash, c.Bytes
	in.reading, in.verdict = admit.Read(doc, c)
	return in
}

// settle notes one of the answers that a commit waits for.
func (s *Site) settle(t Token, err error) {
	d := s.waits[t]
	if d == nil {
		return
	}
	delete(s.waits, t)
	delete(d.waiting, t)
	var refused *StoreError
	if err != nil && (d.failure == nil || errors.As(d.failure, &refused)) {
		d.failure = err // a failure of the store outweighs a refusal
	}
	if len(d.waiting) > 0 {
		return
	}
	switch {
	case d.failure == nil:
		s.finish(d)
		s.run(d)
	case errors.As(d.failure, &refused) && s.retry(d, refused):
	default:
		s.fail(d, d.failure)
	}
}

// retry judges the group again without the change that the store refused. The
// document is loaded anew, because the store knows something that we did not.
func (s *Site) retry(d *document, e *StoreError) bool {
	st := d.group.from[e.Hash]
	if st == nil {
		return false // nothing that one change could be blamed for
	}
	switch e.Code {
	case StoreRevoked:
		s.revoke(st.via)
	case StoreTaken, StoreActor, StoreSeq, StoreDevice:
		if st.own {
			if st.item.attempts++; st.item.attempts >= maxAttempts {
				if st.item.kind != fromWrite && st.item.kind != fromPlan {
					return false
				}
				st.item.err = e
			}
			break
		}
		code := map[string]string{StoreTaken: admit.CodeTaken, StoreActor: admit.CodeActor,
			StoreSeq: admit.CodeSeq, StoreDevice: admit.CodeDev}[e.Code]
		d.turned[e.Hash] = admit.Verdict{Outcome: admit.Refused, Code: code, Reason: e.Error(), Entry: e.Entry}
	default:
		return false
	}
	s.stats.Retry++
	s.forgetActors(d)
	items := d.group.items
	d.group, d.failure = nil, nil
	d.queue = append(items, d.queue...)
	s.reload(d)
	return true
}

// forgetActors takes back what the batch assumed about actors.
func (s *Site) forgetActors(d *document) {
	if d.group == nil {
		return
	}
	for i := range d.group.batch.Changes {
		delete(s.actors, d.group.batch.Changes[i].Actor)
	}
}

// fail gives a document up: nothing of what is under way is acknowledged, its
// peers are asked to come again, and the next who asks has it loaded anew.
func (s *Site) fail(d *document, err error) {
	s.stats.Failures++
	s.emit(Trouble{Doc: d.name, Err: err})
	s.forgetActors(d)
	items := d.queue
	if d.group != nil {
		items = append(d.group.items, items...)
	}
	delete(s.docs, d.name)
	for _, t := range slices.Sorted(maps.Keys(d.waiting)) {
		delete(s.waits, t)
	}
	for _, it := range items {
		if it.token != 0 {
			s.emit(Done{Token: it.token, Err: err})
		}
	}
	reason := "the server could not store or read; try again later"
	if errors.Is(err, ErrFull) {
		reason = "the server's disk is full; try again later"
	}
	s.eachConn(func(c *conn) {
		if d.peers[c.id] != nil {
			s.close(c, CloseTryLater, reason)
		}
	})
	for _, name := range d.waiters {
		if w := s.docs[name]; w != nil && w.state == looking {
			s.fail(w, err)
		}
	}
}

// finish answers and passes on what a group brought, all of which is durable.
func (s *Site) finish(d *document) {
	g := d.group
	d.group, d.state = nil, ready
	admitted := len(g.batch.Changes) > 0
	if admitted {
		s.stats.Commits++
		s.stats.Admitted += uint64(len(g.batch.Changes))
		s.moved(d, d.g.Heads())
	}
	for _, it := range g.items {
		switch it.kind {
		case fromPeer, fromWaiting:
			s.answer(d, it, admitted)
		case fromWrite, fromPlan:
			if it.token != 0 {
				s.emit(Done{Token: it.token, Err: it.err})
			}
		}
	}
	if admitted || g.turned {
		s.wake(d, admitted)
	}
	if admitted {
		s.fanOut(d)
	} else { // nothing new for those who said nothing
		s.eachPeer(g.items, func(c *conn) { s.say(d, c) })
	}
	s.writeMarks(g.marks)
	if admitted && admit.IsLog(d.name) {
		s.wakeMonths(d)
	}
	s.catchUp(d)
}
