package hub

import (
	"errors"
	"slices"

	"gatewright/sync/wire"
)

// conn is one connection.
type conn struct {
	id       ConnID
	identity Identity
	sender   string // its peer id; "" before the join
	own      bool   // understands our own frames
	opened   int64
	docs     []string // names of those it has asked about; few, so no map

	purse purse

	waiting, waitingSize int // frames that wait for a document
}

func (s *Site) opened(ev Opened) {
	delete(s.revoked, ev.Identity.Device)
	if i, there := slices.BinarySearch(s.order, ev.Conn); !there {
		s.order = slices.Insert(s.order, i, ev.Conn)
	}
	c := &conn{
		id: ev.Conn, identity: ev.Identity, opened: s.now,
		purse: purse{left: connBurst, at: s.now},
	}
	s.conns[ev.Conn] = c
	t := s.tollOf(c.identity.Device)
	t.conns++
	switch {
	case t.conns > MaxPerDevice:
		s.complain(c, CloseTooMany, "too many connections of this device")
	case len(s.conns) > MaxPerSite:
		s.complain(c, CloseTooMany, "too many connections to this site")
	}
}

// remove forgets a connection.
func (s *Site) remove(id ConnID) {
	c := s.conns[id]
	if c == nil {
		return
	}
	s.release(c)
	delete(s.conns, id)
	if i, ok := slices.BinarySearch(s.order, id); ok {
		s.order = slices.Delete(s.order, i, i+1)
	}
	for _, name := range c.docs {
		if d := s.docs[name]; d != nil {
			delete(d.peers, id)
		}
	}
}

func (s *Site) close(c *conn, code int, reason string) {
	if s.conns[c.id] == nil {
		return
	}
	s.remove(c.id)
	s.emit(Close{Conn: c.id, Code: code, Reason: reason})
}

// complain says what is wrong and closes.
func (s *Site) complain(c *conn, code int, reason string) {
	target := c.sender
	if target == "" {
		target = "unknown"
	}
	s.send(c, wire.Refusal{SenderID: s.cfg.PeerID, TargetID: target, Message: reason})
	s.close(c, code, reason)
}

func (s *Site) send(c *conn, m wire.Message) {
	b, err := wire.Encode(m)
	if err != nil {
		s.emit(Trouble{Err: err})
		return
	}
	s.stats.Sent++
	s.emit(Send{Conn: c.id, Bytes: b})
}

func (s *Site) frame(ev Frame) {
	c := s.conns[ev.Conn]
	if c == nil {
		return // closed meanwhile
	}
	s.stats.Frames++
	if !s.charge(c, 10+int64(len(ev.Bytes))*10/bytesPerFrame) {
		s.complain(c, CloseTooMany, "too many messages")
		return
	}
	m, err := wire.Decode(ev.Bytes)
	if err != nil {
		s.complain(c, closeCode(err), err.Error())
		return
	}
	join, isJoin := m.(wire.Join)
	if isJoin != (c.sender == "") {
		if isJoin {
			s.complain(c, CloseProtocol, "a second join")
		} else {
			s.complain(c, CloseProtocol, "the first message must be a join")
		}
		return
	}
	switch m := m.(type) {
	case wire.Join:
		s.join(c, join)
	case wire.Sync:
		if m.SenderID != c.sender || m.TargetID != s.cfg.PeerID {
			s.complain(c, CloseProtocol, "senderId or targetId is not that of this connection")
			return
		}
		s.syncFrame(c, m, len(ev.Bytes))
	case wire.Ephemeral:
		s.relay(c, m)
	}
	// The rest says nothing that the hub needs.
}

func closeCode(err error) int {
	var e *wire.Error
	if errors.As(err, &e) && e.Code == wire.CodeSize && (e.Field == "frame" || e.Field == "payload") {
		return CloseTooLarge
	}
	return CloseProtocol
}

func (s *Site) join(c *conn, m wire.Join) {
	switch {
	case !m.Speaks():
		s.complain(c, CloseProtocol, "the only protocol version spoken here is "+wire.ProtocolV1)
		return
	case c.identity.Sender != "" && m.SenderID != c.identity.Sender:
		s.complain(c, CloseIdentity, "the ticket is bound to another senderId")
		return
	case m.SenderID == s.cfg.PeerID:
		s.complain(c, CloseIdentity, "the senderId is the server's own")
		return
	}
	taken := false
	s.eachConn(func(other *conn) {
		if other.sender != m.SenderID || other == c {
			return
		}
		if other.identity.Device == c.identity.Device {
			// A client that lost its connection comes back before we noticed.
			s.close(other, CloseSuperseded, "the same peer connected again")
		} else {
			taken = true
		}
	})
	if taken {
		s.complain(c, CloseIdentity, "the senderId is in use by another device")
		return
	}
	c.sender, c.own = m.SenderID, m.Gatewright
	s.send(c, wire.Peer{SenderID: s.cfg.PeerID, TargetID: c.sender,
		Metadata: wire.Metadata{StorageID: s.cfg.StorageID}, Version: wire.ProtocolV1})
	if c.own {
		s.sendList(c)
	}
}

// relay passes an ephemeral message on to the other peers of the document. A
// stock client sends what it was passed back under the foreign sender: that
// is dropped without a word.
func (s *Site) relay(c *conn, m wire.Ephemeral) {
	if m.SenderID != c.sender || len(m.Data) > MaxEphemeral {
		return
	}
	d := s.docs[s.names[m.DocumentID]]
	if d == nil || d.peers[c.id] == nil {
		return
	}
	s.eachConn(func(other *conn) {
		if other == c || d.peers[other.id] == nil {
			return
		}
		to := m
		to.TargetID = other.sender
		s.send(other, to)
	})
}

// syncFrame takes a sync or request.
func (s *Site) syncFrame(c *conn, m wire.Sync, size int) {
	payload, err := wire.DecodeSync(m.Data)
	if err != nil {
		s.complain(c, closeCode(err), err.Error())
		return
	}
	name, ok := s.documentName(m.DocumentID)
	if !ok {
		s.charge(c, 10*searchCost)
		s.unavailable(c, m.DocumentID)
		return
	}
	fresh := !slices.Contains(c.docs, name)
	if fresh && len(c.docs) >= MaxDocuments {
		s.complain(c, CloseTooMany, "too many documents")
		return
	}
	if c.waiting >= MaxWaiting || c.waitingSize+size > MaxWaitingSize {
		s.complain(c, CloseTooMany, "too many messages wait for their turn")
		return
	}
	d := s.document(name)
	if fresh {
		c.docs = append(c.docs, name)
	}
	if d.peers[c.id] == nil {
		d.peers[c.id] = &peer{}
	}
	c.waiting++
	c.waitingSize += size
	d.queue = append(d.queue, &item{kind: fromPeer, conn: c.id, identity: c.identity, msg: payload, size: size})
	s.run(d)
}

func (s *Site) unavailable(c *conn, documentID string) {
	s.send(c, wire.Unavailable{SenderID: s.cfg.PeerID, TargetID: c.sender, DocumentID: documentID})
}
