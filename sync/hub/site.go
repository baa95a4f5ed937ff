package hub

import (
	"maps"
	"slices"
	"strings"
	"time"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// SiteConfig is what a Site needs to know of the world.
type SiteConfig struct {
	Site      string // UUID, lower case
	PeerID    string // the server's peer id on the wire
	StorageID string // stable: clients keep sync state against it
	// Actor writes the server's own changes: random, drawn once per process.
	Actor change.Actor
	// RestoreUntil is when a restore window that is open closes; ms, 0 = none.
	RestoreUntil int64
	// Reconcile is after how many ms the heads are compared with the store's
	// again, for a node that shares the store with others: their hints can be
	// lost. 0 = never.
	Reconcile int64
}

// Site is the hub of one site. It is used by one goroutine at a time.
type Site struct {
	cfg  SiteConfig
	uuid [16]byte

	conns map[ConnID]*conn
	order []ConnID             // of conns, rising
	docs  map[string]*document // by name; only those in memory
	names map[string]string    // document id -> name, of those that were asked for
	ids   map[string]string    // name -> document id, likewise

	begun  bool
	listed bool
	sift   bool  // what is held is to be looked for
	asked  int64 // when the store was last asked for its list
	asking int   // such questions that are not answered yet

	accessAt  int64                    // when it was last asked about access
	accessing bool                     // and has not answered
	turn      uint64                   // of restore windows that were opened or closed
	list      map[string][]change.Hash // documents that exist, with their heads

	actors  map[change.Actor]string // device; "" = looked up and free
	revoked map[string]bool         // devices the store turned away

	budgets map[string]*budget // of refusals, by device
	tolls   map[string]*toll   // by device

	restoreUntil int64
	lastToken    Token
	waits        map[Token]*document
	ephemerals   uint64
	stats        Stats

	now int64
	out []Effect
}

// Stats counts what a site has seen since it came into memory.
type Stats struct {
	Sites, Conns, Documents  int
	Frames, Sent             uint64
	Admitted, Held, Refused  uint64
	Commits, Failures, Retry uint64
}

// NewSite makes the hub of a site. The site's id must be a UUID.
func NewSite(cfg SiteConfig) (*Site, error) {
	uuid, err := logbook.ParseUUID(cfg.Site)
	if err != nil {
		return nil, err
	}
	return &Site{
		cfg: cfg, uuid: uuid,
		conns: map[ConnID]*conn{}, docs: map[string]*document{},
		names: map[string]string{}, ids: map[string]string{},
		list: map[string][]change.Hash{}, actors: map[change.Actor]string{}, revoked: map[string]bool{},
		budgets: map[string]*budget{}, tolls: map[string]*toll{},
		waits: map[Token]*document{}, restoreUntil: cfg.RestoreUntil,
	}, nil
}

// Step takes one event at an instant (ms since 1970) and gives what is to be
// done about it, in order.
func (s *Site) Step(ev Event, now int64) []Effect {
	s.now, s.out = now, nil
	if !s.begun {
		s.begun, s.accessAt = true, s.now
		s.ask()
	}
	switch ev := ev.(type) {
	case Opened:
		s.opened(ev)
	case Frame:
		s.frame(ev)
	case Closed:
		s.remove(ev.Conn)
	case Listed:
		s.onListed(ev)
	case Accessed:
		s.onAccessed(ev)
	case Loaded:
		s.onLoaded(ev)
	case Looked:
		s.onLooked(ev)
	case Appended:
		s.settle(ev.Token, ev.Err)
	case Kept:
		s.settle(ev.Token, ev.Err)
	case Write:
		s.onWrite(ev)
	case WritePlan:
		s.onWritePlan(ev)
	case Tick:
		s.tick()
	case Drop:
		s.drop(ev)
	case Hint:
		s.onHint(ev)
	case Restore:
		s.onRestore(ev)
	}
	out := s.out
	s.out = nil
	return out
}

// Idle reports that nobody is connected and nothing waits for an answer.
func (s *Site) Idle() bool {
	if len(s.conns) > 0 || len(s.waits) > 0 {
		return false
	}
	for _, d := range s.docs {
		if !d.quiet() {
			return false
		}
	}
	return true
}

// Stats gives the counts.
func (s *Site) Stats() Stats {
	st := s.stats
	st.Sites, st.Conns, st.Documents = 1, len(s.conns), len(s.docs)
	return st
}

func (s *Site) emit(e Effect) { s.out = append(s.out, e) }

func (s *Site) token(d *document) Token {
	s.lastToken++
	s.waits[s.lastToken] = d
	d.waiting[s.lastToken] = true
	return s.lastToken
}

// eachConn goes through the connections in order.
func (s *Site) eachConn(do func(c *conn)) {
	for _, id := range slices.Clone(s.order) { // do may close some
		if c := s.conns[id]; c != nil {
			do(c)
		}
	}
}

// eachDoc goes through the documents in memory in order.
func (s *Site) eachDoc(do func(d *document)) {
	for _, name := range slices.Sorted(maps.Keys(s.docs)) {
		if d := s.docs[name]; d != nil {
			do(d)
		}
	}
}

func (s *Site) documentID(name string) string {
	id, ok := s.ids[name]
	if !ok {
		id = wire.DocumentID(logbook.DocID(s.uuid, name))
		s.ids[name] = id
	}
	return id
}

// documentName gives the name behind a document id: the plan or a month of
// the years a logbook can have. The id is a digest, so they are tried, those
// that a phone is likely to have open first. All of them together would be the
// greater part of what a quiet site costs, so only what was found is kept.
func (s *Site) documentName(id string) (string, bool) {
	if name, ok := s.names[id]; ok {
		return name, true
	}
	raw, err := wire.ParseDocumentID(id)
	if err != nil {
		return "", false
	}
	for name := range s.likelyDocuments {
		if logbook.DocID(s.uuid, name) == raw {
			s.names[id] = name
			return name, true
		}
	}
	return "", false
}

// The years a logbook can have, as months.
const firstMonth, lastMonth = 2000 * 12, 2100*12 - 1

// likelyDocuments gives all names that documents can have: the plan, then the
// months in turn before and after now.
func (s *Site) likelyDocuments(yield func(string) bool) {
	if !yield(logbook.PlanDocument) {
		return
	}
	at := time.UnixMilli(s.now).UTC()
	now := min(max(at.Year()*12+int(at.Month())-1, firstMonth), lastMonth)
	for i := range lastMonth - firstMonth + 1 {
		for _, m := range []int{now - i, now + 1 + i} {
			if m >= firstMonth && m <= lastMonth && !yield(monthDocument(m/12, m%12+1)) {
				return
			}
		}
	}
}

// known reports whether a document can have that name.
func (s *Site) known(name string) bool {
	if name == logbook.PlanDocument {
		return true
	}
	at, err := time.Parse("2006-01", strings.TrimPrefix(name, "log/"))
	return err == nil && admit.IsLog(name) && at.Year() >= firstMonth/12 && at.Year() <= lastMonth/12
}

func monthDocument(year, month int) string {
	b := []byte("0000-00")
	for i := 3; i >= 0; i-- {
		b[i] += byte(year % 10)
		year /= 10
	}
	b[5] += byte(month / 10)
	b[6] += byte(month % 10)
	return logbook.LogDocument(string(b))
}

// ask asks the store for its list.
func (s *Site) ask() {
	s.asked = s.now
	s.asking++
	s.emit(List{})
}

func (s *Site) onListed(ev Listed) {
	s.asking = max(0, s.asking-1)
	if ev.Err != nil {
		s.stats.Failures++
		s.emit(Trouble{Err: ev.Err})
		return // Tick asks again
	}
	s.sift = false
	if s.now < s.restoreUntil {
		defer s.reconsider(ev.Held)
	}
	if s.listed { // what came may be older than what we know
		for _, d := range ev.Documents {
			if slices.Equal(s.list[d.Name], d.Heads) {
				continue
			}
			if there := s.docs[d.Name]; there != nil {
				if slices.Equal(there.sought, d.Heads) {
					continue
				}
				there.sought = d.Heads
			}
			s.onHint(Hint{Doc: d.Name, Heads: d.Heads})
		}
		return
	}
	s.listed = true
	for _, d := range ev.Documents {
		if _, newer := s.list[d.Name]; !newer {
			s.list[d.Name] = d.Heads
		}
	}
	s.eachConn(func(c *conn) {
		if c.own {
			s.sendList(c)
		}
	})
}

// sendList tells a client of ours which documents there are.
func (s *Site) sendList(c *conn) {
	if !s.listed {
		return // it follows when the store has answered
	}
	m := wire.Documents{SenderID: s.cfg.PeerID, TargetID: c.sender}
	for _, name := range slices.SortedFunc(maps.Keys(s.list), byAge) {
		m.Documents = append(m.Documents, wire.Document{Name: name, ID: s.documentID(name), Heads: s.list[name]})
	}
	s.send(c, m)
}

// byAge puts the plan first, then the months.
func byAge(a, b string) int {
	if (a == logbook.PlanDocument) != (b == logbook.PlanDocument) {
		if a == logbook.PlanDocument {
			return -1
		}
		return 1
	}
	return strings.Compare(a, b)
}

// moved notes a document's new heads and tells clients of ours: all of them if
// it is new, else those that have not opened it.
func (s *Site) moved(d *document, heads []change.Hash) {
	old, there := s.list[d.name]
	if there && slices.Equal(old, heads) {
		return
	}
	s.list[d.name] = heads
	s.eachConn(func(c *conn) {
		if c.own && (!there || d.peers[c.id] == nil) {
			s.sendList(c)
		}
	})
}

func (s *Site) tick() {
	// A store that does not answer gets no second question on top of the first.
	if s.asking == 0 && (!s.listed || s.sift || s.cfg.Reconcile > 0 && s.now-s.asked >= s.cfg.Reconcile) {
		s.ask()
	}
	if s.cfg.Reconcile > 0 && !s.accessing && s.now-s.accessAt >= accessEvery {
		s.askAccess()
	}
	s.eachConn(func(c *conn) {
		switch {
		case !c.identity.Author.Present(s.now):
			// Grants end by themselves. Whoever was enrolled since the connection
			// began comes back by a new one.
			s.close(c, CloseRevoked, "access has ended")
		case c.sender == "" && s.now-c.opened >= JoinWithin:
			s.close(c, CloseNoJoin, "no join came")
		}
	})
	s.forgetTolls()
	s.eachDoc(func(d *document) {
		switch {
		case !d.quiet():
			d.idleSince = 0
		case d.idleSince == 0:
			d.idleSince = s.now
		case s.now-d.idleSince < idleAfter:
		case len(d.peers) == 0:
			delete(s.docs, d.name)
		default:
			d.rest()
		}
	})
}

func (s *Site) drop(ev Drop) {
	s.eachConn(func(c *conn) {
		hit := ev.Device != "" && c.identity.Device == ev.Device
		for _, p := range c.identity.Author.People {
			hit = hit || ev.Person != "" && p.ID == ev.Person
		}
		if hit {
			s.close(c, CloseRevoked, "access has ended")
		}
	})
}

func (s *Site) onHint(ev Hint) {
	d := s.docs[ev.Doc]
	if d == nil {
		if s.known(ev.Doc) {
			s.moved(&document{name: ev.Doc}, ev.Heads)
		}
		return
	}
	if d.state == cold {
		s.load(d) // its peers, if it has any, are told what is new
		return
	}
	if d.g != nil && len(d.g.Missing(ev.Heads)) == 0 {
		return
	}
	if d.state != ready {
		d.hinted = append(d.hinted, ev.Heads...)
		return
	}
	s.refresh(d)
}

// Heads gives the heads of the documents as far as this node knows of them.
func (s *Site) Heads() map[string][]change.Hash { return maps.Clone(s.list) }

func (s *Site) onRestore(ev Restore) {
	s.turn++
	s.restoreUntil = ev.Until
	s.eachDoc(func(d *document) {
		s.recheck(d)
		s.run(d)
	})
	if s.now < s.restoreUntil {
		s.sift = true
		s.ask()
	}
}

// reconsider has documents judged again in which something is held: while the
// restore window is open it can come in, also in a month that nobody opens any
// more, and what another node held.
func (s *Site) reconsider(names []string) {
	for _, name := range names {
		if !s.known(name) {
			continue
		}
		switch d := s.document(name); d.state {
		case cold:
			s.load(d)
		case ready:
			s.refresh(d)
		}
	}
}
