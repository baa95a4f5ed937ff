package naive

import (
	"slices"
	"sort"
)

// byPeople are the active entries of people, with one device or with any.
func (m *moment) byPeople(device string) []*entry {
	list := []*entry{}
	for _, e := range m.active {
		if e.By != "server" && (device == "" || e.Dev == device) {
			list = append(list, e)
		}
	}
	return list
}

// silence is [from, to) between an entry and the next of its list.
func silence(list []*entry, i int, after int64) (s span, next *entry) {
	s = span{list[i].At + after, never}
	if i+1 < len(list) {
		next = list[i+1]
		s.to = next.At
	}
	return s, next
}

func (m *moment) quiet(target, severity string, s span, counted, next *entry) *flag {
	entries := []string{counted.ID}
	if next != nil && next.At == s.to {
		entries = append(entries, next.ID)
	}
	return m.raise("quiet", target, "flag.quiet", severity, s.from, s.to, entries, object{"since": counted.At})
}

func (m *moment) quietSite() []*flag {
	list := []*flag{}
	if m.plan.Site.QuietAfter == 0 {
		return list
	}
	used := []span{} // by any gate
	for id, g := range m.plan.Gates {
		from := g.Since
		for _, p := range m.parks[id] {
			used = append(used, span{from, min(p.from, g.end())})
			from = max(from, p.to)
		}
		used = append(used, span{from, g.end()})
	}
	used = unite(used)
	entries := m.byPeople("")
	for i, e := range entries {
		s, next := silence(entries, i, m.plan.Site.QuietAfter*minute)
		for _, u := range used {
			part := span{max(s.from, u.from), min(s.to, u.to)}
			if part.from < part.to {
				list = append(list, m.quiet("site", "watch", part, e, next))
			}
		}
	}
	return list
}

func (m *moment) quietDevices() []*flag {
	list := []*flag{}
	if m.plan.Site.QuietAfter == 0 {
		return list
	}
	devices := map[string]bool{}
	for _, e := range m.byPeople("") {
		devices[e.Dev] = true
	}
	for _, device := range sortedKeys(devices) {
		entries := m.byPeople(device)
		for i, e := range entries {
			dates := map[int64]bool{}
			for _, other := range entries[:i+1] {
				if other.At > e.At-14*day {
					dates[floorDiv(other.At, day)] = true
				}
			}
			if len(dates) < 5 {
				continue
			}
			s, next := silence(entries, i, 7*day)
			s.to = min(s.to, e.At+37*day)
			if s.from < s.to {
				list = append(list, m.quiet(device, "know", s, e, next))
			}
		}
	}
	return list
}

// speaksOf tells whether an entry names a visit, or voids or replaces one that
// does.
func (s *Site) speaksOf(e *entry, visit string) bool {
	if e.Visit == visit {
		return true
	}
	for _, old := range s.entries {
		if old.Visit == visit && (e.Kind == "void" && e.Of == old.ID || e.Replaces == old.ID) {
			return true
		}
	}
	return false
}

// altered tells of visits of which something was changed after a signature.
func (m *moment) altered() []*flag {
	type alteration struct {
		span
		entry, signed, next *entry
	}
	none := []string{"sign", "receipt", "seen", "admitted", "take", "handback", "dismiss"}
	signs := map[string][]*entry{} // of a visit, by id
	for _, e := range m.kind("sign") {
		signs[e.Visit] = append(signs[e.Visit], e)
	}
	list := []*flag{}
	for _, visit := range sortedKeys(signs) {
		sort.Slice(signs[visit], func(i, j int) bool { return signs[visit][i].ID < signs[visit][j].ID })
		all := []alteration{}
		spans := []span{}
		for _, e := range m.active {
			if slices.Contains(none, e.Kind) || !m.speaksOf(e, visit) {
				continue
			}
			a := alteration{entry: e}
			for _, s := range signs[visit] {
				if s.ID < e.ID {
					a.signed = s
				} else if a.next == nil {
					a.next = s
				}
			}
			if a.signed == nil {
				continue
			}
			a.from, a.to = max(e.At, a.signed.At), never
			if a.next != nil {
				a.to = a.next.At
			}
			all = append(all, a)
			spans = append(spans, a.span)
		}
		sort.Slice(all, func(i, j int) bool { return all[i].entry.ID < all[j].entry.ID })
		for _, episode := range unite(spans) {
			entries, n, signed := []string{}, int64(0), never
			for _, a := range all {
				if a.from >= a.to || a.from < episode.from || a.from >= episode.to {
					continue
				}
				if n == 0 {
					signed = a.signed.At
				}
				n++
				entries = append(entries, a.entry.ID)
				if a.next != nil && a.to == episode.to {
					entries = append(entries, a.next.ID)
				}
			}
			list = append(list, m.raise("altered", visit, "flag.altered", "watch", episode.from, episode.to, entries, object{"n": n, "signed": signed}))
		}
	}
	return list
}
