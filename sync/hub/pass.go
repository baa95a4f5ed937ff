package hub

import (
	"slices"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// answer takes note of a peer's message now that its changes are dealt with.
// moved says that the document got new heads at the same time.
func (s *Site) answer(d *document, it *item, moved bool) {
	c, p := s.conns[it.conn], d.peers[it.conn]
	if c == nil || p == nil {
		return
	}
	if it.kind == fromPeer {
		c.waiting--
		c.waitingSize -= it.size
		m := it.msg
		m.Heads = d.effective(it.msg.Heads)
		before := d.g.Effort()
		d.g.Receive(&p.Peer, m)
		s.chargeFor(c, d.g.Effort()-before)
		if s.keep(c, p); s.conns[c.id] == nil {
			return
		}
		if moved {
			p.Owe()
		}
	}
	// What another peer brought, and this one can vouch for, is judged again with
	// its word before it hears about that and what builds on it: an author that
	// was told to wait for itself would wait for ever.
	named := slices.Concat(it.tell, it.owed, it.msg.Heads)
	if again := d.confirmed(it, named); len(again) > 0 {
		next := &item{kind: fromWaiting, conn: it.conn, identity: c.identity, incoming: again, read: true, owed: named, vouched: it.vouched}
		for _, in := range it.incoming {
			next.vouched = append(next.vouched, in.hash)
		}
		d.queue = append(d.queue, next)
	} else {
		s.tell(d, c, p, named)
	}
	if it.kind == fromPeer && len(it.msg.Heads) == 0 && d.g.Len() == 0 {
		s.unavailable(c, d.id)
	}
}

// wake finds work in what waited for the changes that were just dealt with.
func (s *Site) wake(d *document, admitted bool) {
	s.eachConn(func(c *conn) {
		p := d.peers[c.id]
		if p == nil {
			return
		}
		it := &item{kind: fromWaiting, conn: c.id, identity: c.identity, read: true}
		for _, n := range d.g.Ready(&p.Peer) {
			it.incoming = append(it.incoming, readChunk(d.name, n.Bytes, n.Hash, c.identity))
		}
		for _, n := range p.Waiting() {
			if slices.ContainsFunc(n.Deps, func(h change.Hash) bool { return d.blocked[h] != nil }) {
				p.Discard(n.Hash)
				it.incoming = append(it.incoming, readChunk(d.name, n.Bytes, n.Hash, c.identity))
			}
		}
		if len(it.incoming) > 0 {
			d.queue = append(d.queue, it)
		}
	})
	if admitted {
		s.recheck(d)
	}
}

// wakeMonths has the other months judge again what they hold for want of an
// entry that may have come now.
func (s *Site) wakeMonths(d *document) {
	s.eachDoc(func(other *document) {
		if other == d || !other.loaded {
			return
		}
		for _, b := range other.blocked {
			if b.held && (b.code == admit.CodeUnknownEntry || b.code == admit.CodeDepends) {
				s.recheck(other)
				s.run(other)
				return
			}
		}
	})
}

// recheck puts what is held in line to be judged again.
func (s *Site) recheck(d *document) {
	if !d.loaded || !d.anyHeld() {
		return
	}
	for _, it := range d.queue {
		if it.kind == fromHeld {
			return
		}
	}
	d.queue = append(d.queue, &item{kind: fromHeld, read: true})
}

// fanOut says to every peer of the document what there is to say.
func (s *Site) fanOut(d *document) {
	s.eachConn(func(c *conn) { s.say(d, c) })
}

// eachPeer goes once through the connections that the items came from.
func (s *Site) eachPeer(items []*item, do func(c *conn)) {
	done := map[ConnID]bool{}
	for _, it := range items {
		if c := s.conns[it.conn]; c != nil && !done[it.conn] {
			done[it.conn] = true
			do(c)
		}
	}
}

// say sends a peer the document's next message for it, if there is one. It
// says nothing while a commit is under way: the graph then holds what is not
// stored yet.
func (s *Site) say(d *document, c *conn) {
	p := d.peers[c.id]
	if d.state != ready || p == nil || !p.Heard() || d.g.Len() == 0 && len(p.TheirHeads()) == 0 {
		return
	}
	before := d.g.Effort()
	m, ok := d.g.Generate(&p.Peer)
	s.chargeFor(c, d.g.Effort()-before)
	if ok {
		s.send(c, wire.Sync{SenderID: s.cfg.PeerID, TargetID: c.sender, DocumentID: d.id, Data: m.Encode()})
	}
}
