package hub

// What a connection and a device may cost. A farm's phone stays far below: it
// sends a few frames for an entry, one megabyte when it brings a whole month
// to a server that lost it, and is connected once, twice while a network
// changes. The bounds are there so that one device, whoever holds it, can
// neither take the site's processor nor its memory from the others.

// purse is what may still be spent, in tenths of a frame; it fills with time
// and can go below zero when work turns out dear, which is then waited off.
type purse struct{ left, at int64 }

func (p *purse) fill(now, perMs, most int64) {
	p.left = min(most, p.left+max(0, now-p.at)*perMs)
	p.at = now
}

func (p *purse) pay(cost, most int64) { p.left = max(-most, p.left-cost) }

// toll is what all connections of a device have in common.
type toll struct {
	purse purse
	conns int
	kept  int // bytes that are kept of what they said
}

const (
	connBurst, deviceBurst = frameBurst * 10, frameBurst * 10 * 4
	connPerMs, devicePerMs = framesPerMs, framesPerMs * 4
)

// tollOf gives the device's toll.
func (s *Site) tollOf(device string) *toll {
	t := s.tolls[device]
	if t == nil {
		t = &toll{purse: purse{left: deviceBurst, at: s.now}}
		s.tolls[device] = t
	}
	return t
}

// charge takes the cost of work, in tenths of a frame, and reports whether
// there was enough.
func (s *Site) charge(c *conn, cost int64) bool {
	t := s.tollOf(c.identity.Device)
	c.purse.fill(s.now, connPerMs, connBurst)
	t.purse.fill(s.now, devicePerMs, deviceBurst)
	c.purse.pay(cost, connBurst)
	t.purse.pay(cost, deviceBurst)
	return c.purse.left >= 0 && t.purse.left >= 0
}

// chargeFor takes the cost of what a peer's message made the graph do.
func (s *Site) chargeFor(c *conn, effort int) {
	if cost := int64(effort) * 10 / effortPerFrame; cost > 0 {
		s.charge(c, cost)
	}
}

// keep notes how much is kept of what a peer said about a document, and turns
// away a device of which too much is.
func (s *Site) keep(c *conn, p *peer) {
	t := s.tollOf(c.identity.Device)
	size := p.Size()
	t.kept += size - p.size
	p.size = size
	if t.kept > MaxKept {
		s.complain(c, CloseTooMany, "too much waits for this device, or is kept for it")
	}
}

// release takes back what a connection had of its device's toll.
func (s *Site) release(c *conn) {
	t := s.tolls[c.identity.Device]
	if t == nil {
		return
	}
	t.conns--
	for _, name := range c.docs {
		if d := s.docs[name]; d != nil && d.peers[c.id] != nil {
			t.kept -= d.peers[c.id].size
		}
	}
}

// forgetTolls drops what says nothing any more: devices that are not connected
// and may spend all, and budgets of refusals that are full again.
func (s *Site) forgetTolls() {
	for device, t := range s.tolls {
		t.purse.fill(s.now, devicePerMs, deviceBurst)
		if t.conns == 0 && t.purse.left == deviceBurst {
			delete(s.tolls, device)
		}
	}
	for device, b := range s.budgets {
		if b.fill(s.now); b.left == MaxRefusals {
			delete(s.budgets, device)
		}
	}
}
