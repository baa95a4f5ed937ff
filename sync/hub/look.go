package hub

import (
	"maps"
	"slices"

	"gatewright/sync/admit"
	"gatewright/sync/change"
)

// look asks for what the judgement of the group needs and is not in memory:
// the devices of actors, the people of devices, the months of entries to be
// voided. It reports whether there is anything to wait for.
func (s *Site) look(d *document) bool {
	actors, devices := map[change.Actor]bool{}, map[string]bool{}
	months := map[string]bool{}
	for _, it := range d.group.items {
		for _, in := range it.incoming {
			if in.reading == nil || in.verdict != nil || d.g.Has(in.hash) {
				continue
			}
			if b := d.blocked[in.hash]; b != nil && !b.held {
				continue
			}
			author := in.reading.Claim
			if bound, known := s.actors[in.reading.Change.Actor]; !known {
				actors[in.reading.Change.Actor] = true
			} else if bound != "" {
				author = bound
			}
			if it.kind == fromHeld {
				devices[in.from.Device] = true
			}
			switch author {
			case admit.ServerDevice:
			case in.from.Device, "":
				// The connection may be older than a new person on its device.
				if !in.reading.Covered(in.from.Author, s.now) {
					devices[in.from.Device] = true
				}
			default:
				devices[author] = true
			}
			for _, id := range in.reading.Targets() {
				if name := id.Document(); name != d.name && name != "" {
					months[name] = true
				}
			}
		}
	}
	maps.DeleteFunc(devices, func(device string, _ bool) bool { return d.group.sought[device] })
	maps.Copy(d.group.sought, devices)
	for _, name := range slices.Sorted(maps.Keys(months)) {
		if _, there := s.list[name]; s.listed && !there {
			continue
		}
		other := s.document(name)
		if other.loaded {
			continue
		}
		s.load(other)
		other.waiters = append(other.waiters, d.name)
		d.months++
	}
	if len(actors)+len(devices) > 0 {
		s.emit(Look{Token: s.token(d), Actors: slices.Sorted(maps.Keys(actors)), Devices: slices.Sorted(maps.Keys(devices))})
	}
	if d.months > 0 || len(d.waiting) > 0 {
		// An actor can turn out to be bound to a device that nobody asked
		// about; then the group asks once more.
		d.group.asked = len(actors) == 0
		return true
	}
	return false
}

func (s *Site) onLooked(ev Looked) {
	d := s.waits[ev.Token]
	if d == nil {
		return
	}
	delete(s.waits, ev.Token)
	delete(d.waiting, ev.Token)
	if ev.Err != nil {
		d.failure = ev.Err
	}
	for a, device := range ev.Actors {
		s.actors[a] = device
	}
	if d.group != nil {
		for device, author := range ev.Authors {
			d.group.authors[device] = &author
		}
		if ev.Err == nil {
			s.noteFree(d)
		}
	}
	s.resume(d)
}

// noteFree marks the group's actors that the store does not know.
func (s *Site) noteFree(d *document) {
	for _, it := range d.group.items {
		for _, in := range it.incoming {
			if in.reading == nil {
				continue
			}
			if _, known := s.actors[in.reading.Change.Actor]; !known {
				s.actors[in.reading.Change.Actor] = ""
			}
		}
	}
}

// adopt gives what was looked up about devices to their connections.
func (s *Site) adopt(d *document) {
	for _, device := range slices.Sorted(maps.Keys(d.group.authors)) {
		author := d.group.authors[device]
		if author.Revoked != 0 {
			s.revoke(device)
		}
		s.eachConn(func(c *conn) {
			if c.identity.Device == device {
				c.identity.Author = *author
			}
		})
		for _, it := range d.group.items {
			if it.identity.Device == device {
				it.identity.Author = *author
			}
			for _, in := range it.incoming {
				if in.from.Device == device {
					in.from.Author = *author
				}
			}
		}
	}
}

func (s *Site) revoke(device string) {
	s.revoked[device] = true
	s.eachConn(func(c *conn) {
		if c.identity.Device == device {
			s.close(c, CloseRevoked, "the device is revoked")
		}
	})
}
