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
	life  int // of the node
	upAt  int64
	dnAt  int64
	deaf  bool // half open: what the phone writes vanishes
	ended bool // nothing more goes through
}

// lag draws how long a frame is under way.
func (w *world) lag() int64 {
	if !w.calm && w.rng.IntN(100) == 0 {
		return w.between(1, w.p.slow)
	}
	return w.between(1, w.p.latency)
}

// up puts something in the phone's stream.
func (l *link) up(what string, do func()) {
	w := l.w
	at := max(l.upAt, w.now+w.lag())
	l.upAt = at
	w.after(at-w.now, what, l.h.index, func() {
		if !l.ended && l.n.life == l.life {
			do()
		}
	})
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
		case w.chance(w.p.duplicate):
			w.count["frame_duplicated"]++
			l.up("again", deliver(frame))
		case w.chance(w.p.reorder):
			w.count["frame_reordered"]++
			was := l.upAt
			l.upAt = 0
			l.up("overtakes", deliver(frame))
			l.upAt = was
			return
		case len(frame) > 1 && w.chance(w.p.truncate):
			w.count["frame_truncated"]++
			frame = frame[:w.rng.IntN(len(frame))]
		case len(frame) > 0 && w.chance(w.p.mangle):
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
	l.up("up", deliver(frame))
}

// down puts something in the node's stream.
func (l *link) down(what string, do func()) {
	w := l.w
	at := max(l.dnAt, w.now+w.lag())
	l.dnAt = at
	w.after(at-w.now, what, l.h.index, func() {
		if !l.ended && l.h.link == l {
			do()
		}
	})
}

func (l *link) sendDown(frame []byte) {
	w := l.w
	if l.ended {
		return
	}
	deliver := func(b []byte) func() { return func() { l.h.receive(b) } }
	if !w.calm {
		switch {
		case w.chance(w.p.loss):
			w.count["frame_lost"]++
			l.lost()
			return
		case w.chance(w.p.duplicate):
			w.count["frame_duplicated"]++
			l.down("again", deliver(frame))
		case w.chance(w.p.reorder):
			w.count["frame_reordered"]++
			was := l.dnAt
			l.dnAt = 0
			l.down("overtakes", deliver(frame))
			l.dnAt = was
			return
		case len(frame) > 1 && w.chance(w.p.truncate):
			w.count["frame_truncated"]++
			frame = frame[:w.rng.IntN(len(frame))]
		}
	}
	l.down("down", deliver(frame))
}

// closeDown is the node's closing, behind what it sent before.
func (l *link) closeDown(e hub.Close) {
	l.down("closed", func() {
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
	l.up("leaves", func() {
		l.ended = true
		l.forget()
	})
}
