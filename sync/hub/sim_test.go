package hub_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/storetest"
)

// sim lets a yard of peers do what they like, with a store that fails and
// answers out of order, and a server that restarts.
type sim struct {
	*lab
	r     *rand.Rand
	peers []*peer
}

func (s *sim) one() {
	p := s.peers[s.r.IntN(len(s.peers))]
	switch s.r.IntN(16) {
	case 0, 1, 2, 3:
		p.tick()
	case 4:
		p.tick(func(e *logbook.Entry) { e.ID = s.entryID(noon - 20*24*3600_000) })
	case 5:
		p.disconnect()
	case 6, 7:
		if p.conn == 0 {
			p.connect()
			p.open(november)
			p.open(october)
		}
	case 8:
		p.restart()
	case 9: // what a crew may not
		p.record(p.entry(logbook.Dismiss, func(e *logbook.Entry) { e.Flag, e.Why = "overdue/lens-wipe", "no need" }))
	case 10: // a change that breaks clients
		c := p.next(november, p.set(p.entry(logbook.Tick)))
		c.StartOp += uint64(s.r.IntN(2))
		if len(c.Deps) > 0 {
			c.Seq += uint64(s.r.IntN(2))
		}
		p.put(november, c)
	case 11: // what a phone does that was refused something
		if len(p.refused)+len(p.rejected) > 0 {
			p.refused, p.rejected = nil, nil
			p.drop(november)
			p.drop(october)
		}
	case 12: // two phones in the yard without a network
		from := s.peers[s.r.IntN(len(s.peers))]
		if from != p && p.conn == 0 && from.docs[november] != nil && p.docs[november] != nil {
			p.take(november, from)
		}
	case 13:
		methods := []string{"Append", "Load", "ActorDevices", "AuthorOf", "Hold", "Quarantine", "Documents", ""}
		s.store.Fail(storetest.Fault{Method: methods[s.r.IntN(len(methods))], Call: 1 + s.r.IntN(4), After: s.r.IntN(2) == 0})
	case 14:
		if s.r.IntN(4) == 0 {
			s.restart(0)
		}
	case 15:
		s.now += int64(s.r.IntN(3000))
		s.post(hub.Tick{})
	}
}

// some lets a random part of what is under way happen. Events of one
// connection, and the answers of the store, come in any order that the edge
// could give them.
func (s *sim) some() {
	for range s.r.IntN(12) {
		if len(s.parked) > 0 && s.r.IntN(2) == 0 {
			i := s.r.IntN(len(s.parked))
			ev := s.parked[i]
			s.parked = append(s.parked[:i:i], s.parked[i+1:]...)
			s.step(ev)
			continue
		}
		if len(s.events) > 0 && s.r.IntN(2) == 0 {
			ev := s.events[0]
			s.events = s.events[1:]
			s.step(ev)
			continue
		}
		p := s.peers[s.r.IntN(len(s.peers))]
		if p.conn != 0 && len(p.out) > 0 {
			s.frames++
			s.post(hub.Frame{Conn: p.conn, Bytes: p.out[0]})
			p.out = p.out[1:]
		}
	}
}

// acknowledged checks that the hub has told nobody of what is not stored.
func (s *sim) acknowledged() {
	s.t.Helper()
	for _, doc := range []string{november, october} {
		changes, _, err := s.mem.Load(context.Background(), yard, doc)
		if err != nil {
			s.t.Fatal(err)
		}
		there := map[change.Hash]bool{}
		for _, c := range changes {
			there[c.Hash] = true
		}
		for _, p := range s.peers {
			if d := p.docs[doc]; d != nil {
				for _, h := range d.told {
					if !there[h] {
						s.t.Fatalf("%s was told of %s in %s, which is not stored", p.sender, h, doc)
					}
				}
			}
		}
	}
}

func TestSimulation(t *testing.T) {
	seeds := 150
	if testing.Short() {
		seeds = 20
	}
	for seed := range seeds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) { simulate(t, uint64(seed)) })
	}
}

func simulate(t *testing.T, seed uint64) {
	l := newLab(t)
	s := &sim{lab: l, r: rand.New(rand.NewPCG(seed, 7))}
	l.park = func(hub.Event) bool { return true }
	for n, role := range []admit.Role{"crew", "crew", "manager", "contractor"} {
		p := l.peer(l.enrol(n+1, role))
		p.own = n != 1
		s.peers = append(s.peers, p)
	}
	for range 150 {
		s.one()
		s.some()
		s.acknowledged()
	}

	// Calm: the store works, everybody comes back, the window is open, and who
	// was refused something begins anew.
	l.store = storetest.NewFaulty(l.mem)
	l.park = nil
	for range 4 {
		for _, ev := range l.parked {
			l.post(ev)
		}
		l.parked = nil
		l.settle(4000)
		l.now += 60_000
		l.post(hub.Tick{})
		l.post(hub.Restore{Until: l.now + 1_000_000})
		for _, p := range s.peers {
			if p.conn == 0 {
				p.connect()
			}
			p.open(november)
			p.open(october)
		}
		l.settle(4000)
		for _, p := range s.peers {
			if len(p.refused)+len(p.rejected) > 0 {
				p.refused, p.rejected = nil, nil
				p.drop(november)
				p.drop(october)
				l.settle(4000)
			}
		}
	}
	s.acknowledged()
	for _, doc := range []string{november, october} {
		l.wantSame(doc, s.peers...)
		for _, e := range l.stored(doc) {
			if e.Kind == logbook.Dismiss && e.By != person(3) {
				t.Errorf("%s of %s is in the log", e.Kind, e.By)
			}
		}
	}
	last := s.peers[0].tick()
	l.settle(200)
	for _, p := range s.peers {
		if !p.has(november, last) {
			t.Errorf("%s did not get the last entry", p.sender)
		}
	}
	// The same events give the same effects.
	again, err := hub.NewSite(config(0))
	if err != nil {
		t.Fatal(err)
	}
	for i, ev := range l.trace {
		if got := render(again.Step(ev, l.times[i])); got != render(l.said[i]) {
			t.Fatalf("event %d (%T) has other effects when it happens again", i, ev)
		}
	}
}
