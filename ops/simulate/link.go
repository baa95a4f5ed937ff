package simulate

import (
	"gatewright/sync/hub"
)

// link is one connection between a phone and a node: two ordered streams that
// take their time, and that can break in more than one way.
type link struct {
	w     *world
	id    hub.ConnID
	h     *handset
	n     *node
	life  int    // of the node
	up    stream // of the phone
	down  stream // of the node
	deaf  bool   // half open: what the phone writes vanishes
	ended bool   // nothing more goes through
}

func newLink(id hub.ConnID, h *handset, n *node) *link {
	l := &link{w: h.w, id: id, h: h, n: n, life: n.life}
	l.up = stream{l: l, alive: func() bool { return n.life == l.life }}
	l.down = stream{l: l, alive: func() bool { return h.link == l }}
	return l
}

// lag draws how long a frame is under way.
func (w *world) lag() int64 {
	if !w.calm && w.rng.IntN(100) == 0 {
		return w.between(1, w.p.slow)
	}
	return w.between(1, w.p.latency)
}

// stream is one direction of a link: what is put in comes out in order and late.
type stream struct {
	l     *link
	at    int64 // when the last comes out
	alive func() bool
}

func (s *stream) put(what string, do func()) {
	w := s.l.w
	s.at = max(s.at, w.now+w.lag())
	w.after(s.at-w.now, what, s.l.h.index, func() {
		if !s.l.ended && s.alive() {
			do()
		}
	})
}

// disturb doubles a frame, lets it overtake, or cuts it short, as chance has
// it. It gives what is still to be put in, nil when nothing is, and whether
// anything was done.
func (s *stream) disturb(frame []byte, deliver func([]byte) func()) (rest []byte, done bool) {
	w := s.l.w
	switch {
	case w.chance(w.p.duplicate):
		w.count["frame_duplicated"]++
		s.put("again", deliver(frame))
	case w.chance(w.p.reorder):
		w.count["frame_reordered"]++
		was := s.at
		s.at = 0
		s.put("overtakes", deliver(frame))
		s.at = was
		return nil, true
	case len(frame) > 1 && w.chance(w.p.truncate):
		w.count["frame_truncated"]++
		return frame[:w.rng.IntN(len(frame))], true
	default:
		return frame, false
	}
	return frame, true
}

// sendUp sends one frame to the node, if all goes well.
func (l *link) sendUp(frame []byte) {
	w := l.w
	w.note("<", int64(l.id), frame)
	w.frames++
	if l.ended {
		return
	}
	deliver := func(b []byte) func() {
		return func() { l.n.step(hub.Frame{Conn: l.id, Bytes: b}) }
	}
	if !w.calm {
		switch {
		case l.deaf:
			w.count["frame_vanished"]++
			return
		case w.chance(w.p.loss):
			w.count["frame_lost"]++
			l.lost()
			return
		case w.chance(w.p.cut):
			w.count["half_open"]++
			l.halfOpen()
			return
		}
		rest, done := l.up.disturb(frame, deliver)
		switch frame = rest; {
		case rest == nil:
			return
		case !done && len(frame) > 0 && w.chance(w.p.mangle):
			// Below is a checksum, which ends the connection sooner or later; what
			// was understood otherwise until then must do no harm.
			w.count["frame_mangled"]++
			w.after(w.between(1, 5000), "checksum", l.h.index, l.lost)
			frame = append([]byte(nil), frame...)
			for range 1 + w.rng.IntN(3) {
				frame[w.rng.IntN(len(frame))] ^= 1 << w.rng.IntN(8)
			}
		}
	}
	l.up.put("up", deliver(frame))
}

func (l *link) sendDown(frame []byte) {
	w := l.w
	if l.ended {
		return
	}
	deliver := func(b []byte) func() { return func() { l.h.receive(b) } }
	if !w.calm {
		if w.chance(w.p.loss) {
			w.count["frame_lost"]++
			l.lost()
			return
		}
		if frame, _ = l.down.disturb(frame, deliver); frame == nil {
			return
		}
	}
	l.down.put("down", deliver(frame))
}

// closeDown is the node's closing, behind what it sent before.
func (l *link) closeDown(e hub.Close) {
	l.down.put("closed", func() {
		l.ended = true
		l.h.hungUp(e.Code)
	})
}

// lost breaks the link. Either end notices in its own time, and what is under
// way is gone.
func (l *link) lost() {
	if l.ended {
		return
	}
	l.ended = true
	w := l.w
	w.after(w.between(1, 8000), "unlinked", l.h.index, func() {
		if l.h.link == l {
			l.h.hungUp(0)
		}
	})
	w.after(w.between(1, 12_000), "gone", l.h.index, func() { l.forget() })
}

// forget tells the node that the connection is no more.
func (l *link) forget() {
	if l.n.life != l.life || l.n.links[l.id] == nil {
		return
	}
	delete(l.n.links, l.id)
	l.n.step(hub.Closed{Conn: l.id})
}

// halfOpen lets what the phone writes vanish, until somebody's patience ends.
func (l *link) halfOpen() {
	if l.deaf || l.ended {
		return
	}
	l.deaf = true
	w := l.w
	w.after(w.between(2000, 20_000), "deaf", l.h.index, func() { l.lost() })
}

// leave is the phone's own closing: the node hears of it behind the frames.
func (l *link) leave() {
	if l.ended {
		return
	}
	if l.deaf {
		l.lost()
		return
	}
	l.up.put("leaves", func() {
		l.ended = true
		l.forget()
	})
}
