package simulate

import (
	"slices"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/storetest"
)

// trouble lets one fault after the other come.
func (w *world) trouble() {
	w.later(w.about(w.between(1, w.p.troubleEvery*4)), "trouble", 0, func() {
		if !w.calm {
			w.one()
		}
		w.trouble()
	})
}

func (w *world) one() {
	sum := 0
	for _, t := range troubles {
		sum += w.p.weights[t.name]
	}
	if sum == 0 {
		return
	}
	x := w.rng.IntN(sum)
	name := ""
	for _, t := range troubles {
		if x -= w.p.weights[t.name]; x < 0 {
			name = t.name
			break
		}
	}
	h := w.phones[w.rng.IntN(len(w.phones))]
	n := w.nodes[w.rng.IntN(len(w.nodes))]
	if w.happen(name, h, n) {
		w.count[name]++
	}
}

// happen brings one fault about; false when there is nothing for it to break.
func (w *world) happen(name string, h *handset, n *node) bool {
	switch name {
	case "partition":
		until := w.now + w.between(1000, w.p.pause*3)
		for _, other := range w.phones {
			if w.rng.IntN(2) == 0 {
				other.offline = until
				if other.link != nil {
					other.link.lost()
				}
			}
		}
	case "half_open":
		if h.link == nil {
			return false
		}
		h.link.halfOpen()
	case "link_break":
		if h.link == nil {
			return false
		}
		h.link.lost()
	case "clock_skew":
		const day = 24 * 3600_000
		h.skew = []int64{0, 0, -90_000, 7 * 60_000, -40 * day, 30 * day, -2 * 365 * day, 3 * 365 * day}[w.rng.IntN(8)]
	case "power_loss":
		if !h.phone.On() {
			return false
		}
		h.disk.PowerOff()
		h.wentOff()
	case "phone_crash":
		steps := phonesim.Steps()
		if w.rng.IntN(2) == 0 {
			h.disk.CrashAt(steps[w.rng.IntN(len(steps))], 1+w.rng.IntN(3))
		} else {
			h.disk.CrashAfter(1 + w.rng.IntN(25))
		}
	case "phone_backup":
		if h.copies = append(h.copies, h.disk.Clone()); len(h.copies) > 2 {
			h.copies = h.copies[1:]
		}
	case "phone_restored":
		if len(h.copies) == 0 || !h.phone.On() {
			return false
		}
		h.putBack(h.copies[w.rng.IntN(len(h.copies))])
	case "phone_full":
		h.disk.SetFull(true)
		w.later(w.between(1000, w.p.pause*2), "room", h.index, func() { h.disk.SetFull(false) })
	case "server_full":
		w.full = true
		w.later(w.between(1000, 60_000), "room", -1, func() { w.full = false })
	case "server_io":
		w.store.Fail(storetest.Fault{Method: []string{"Append", "Load", "Hold", "Quarantine", "Documents", "ActorDevices", "AuthorOf", ""}[w.rng.IntN(8)],
			Call: 1 + w.rng.IntN(8), After: w.rng.IntN(2) == 0})
	case "server_crash":
		if n.down {
			return false
		}
		n.crash()
		w.checkAcknowledged()
		w.revive(n, w.between(200, 40_000))
	case "revoke":
		if h.shut || h.dead || h.author.Relay || w.letIn() < 3 {
			return false
		}
		h.author.Revoked = w.now
		w.put2(h)
		w.replace(h)
		w.tell(hub.Drop{Device: h.author.Device})
	case "remove":
		if h.shut || h.dead || len(h.author.People) == 0 || w.letIn() < 3 {
			return false
		}
		p := &h.author.People[w.rng.IntN(len(h.author.People))]
		if p.Until != 0 {
			return false
		}
		p.Until = w.now
		w.put2(h)
		if !slices.ContainsFunc(h.author.People, func(p admit.Person) bool { return p.Until == 0 }) {
			w.replace(h)
		}
		w.tell(hub.Drop{Person: p.ID})
	case "server_backup":
		w.backup = w.mem.Clone()
	case "server_restored":
		if w.backup == nil {
			return false
		}
		w.restore()
	case "meet":
		other := w.phones[w.rng.IntN(len(w.phones))]
		if other == h || h.hostile || other.hostile || h.dead || other.dead || !h.phone.On() || !other.phone.On() {
			return false
		}
		err := phonesim.Meet(h.phone, other.phone)
		h.look()
		other.look()
		h.touch()
		other.touch()
		return err == nil
	case "forge":
		return w.forge()
	}
	return true
}

func (w *world) revive(n *node, ms int64) {
	life := n.life
	w.after(ms, "revive", n.index, func() {
		if n.down && n.life == life {
			w.startNode(n)
		}
	})
}

// letIn counts the phones of people that the server lets in.
func (w *world) letIn() (n int) {
	for _, h := range w.phones {
		if !h.shut && !h.dead && h.role != "" {
			n++
		}
	}
	return n
}

// replace puts another phone into the yard for one whose access has ended.
func (w *world) replace(h *handset) {
	fresh := w.enrol(h.role, false)
	fresh.hostile = h.hostile
	w.act(fresh)
}

// tell has the nodes drop connections. The row is there already.
func (w *world) tell(ev hub.Event) {
	for _, n := range w.nodes {
		life := n.life
		w.after(w.between(1, 2000), "drop", n.index, func() {
			if n.life == life && !n.down {
				n.step(ev)
			}
		})
	}
}

// putBack gives a phone an older copy of its disk.
func (h *handset) putBack(old *phonesim.Disk) {
	w := h.w
	h.disk.PowerOff()
	before := h.disk
	h.disk = old.Clone()
	h.disk.StartsAfter(before)
	h.replaced++
	keep := func(id logbook.EntryID) bool {
		if _, there := h.disk.Parcel(id); there || w.holds(id) {
			return true
		}
		w.ledger[id].wiped = true
		w.count["saved_on_a_disk_put_back"]++
		return false
	}
	h.pending = slices.DeleteFunc(h.pending, func(id logbook.EntryID) bool { return !keep(id) })
	// What was kept as not accepted may wait again.
	for _, id := range h.refused {
		if keep(id) {
			h.pending = append(h.pending, id)
		}
	}
	h.refused = nil
	for _, id := range w.order { // so may what was let go of
		r := w.ledger[id]
		if _, there := h.disk.Parcel(id); there && r.h == h && !slices.Contains(h.pending, id) {
			h.pending = append(h.pending, id)
		}
	}
	h.recent = nil
	h.wentOff()
}

// restore puts the backup in the place of the database. People and devices are
// those of today.
func (w *world) restore() {
	for _, n := range w.nodes {
		if !n.down {
			n.crash()
		}
	}
	w.mem = w.backup.Clone()
	w.wrap()
	for _, h := range w.phones {
		w.put2(h)
	}
	w.kept = map[change.Hash]string{}
	missing := 0
	for _, id := range w.order {
		if r := w.ledger[id]; r.acked && !w.gone[id] && !w.holds(id) {
			if !w.missed(id) {
				missing++
			}
			// Who has it now: what waited at the server since an earlier restore
			// is gone as well.
			w.absent[id] = w.holders(id)
		}
	}
	w.count["acknowledged_before_a_restore"] += missing
	w.restored = true
	for _, n := range w.nodes {
		w.revive(n, w.between(500, 60_000))
	}
	if w.chance(w.p.windowAtOnce) { // else when somebody notices
		w.window()
	}
}

// window opens the restore window.
func (w *world) window() {
	w.opened = true
	w.restoreUntil = w.now + 48*3600_000
	for _, n := range w.nodes {
		life := n.life
		w.after(w.between(1, 500), "window", n.index, func() {
			if n.life == life && !n.down {
				n.step(hub.Restore{Until: w.restoreUntil})
			}
		})
	}
}
