package naive

import (
	"slices"
	"sort"
)

// flag is one episode.
type flag struct {
	rule, target    string
	raised, cleared int64
	fields          object
}

func put(o object, name, value string) {
	if value != "" {
		o[name] = value
	}
}

// raise makes an episode, or nothing when it is empty.
func (m *moment) raise(rule, target, key, severity string, raised, cleared int64, entries []string, params object) *flag {
	f := &flag{rule: rule, target: target, raised: raised, cleared: cleared, fields: object{
		"subject": rule + "/" + target, "rule": rule, "severity": severity, "key": key,
		"raised": raised, "params": params, "entries": ids(entries),
	}}
	if cleared <= m.now {
		f.fields["cleared"] = cleared
	}
	return f
}

func ids(list []string) []any {
	list = slices.Clone(list)
	slices.Sort(list)
	list = slices.Compact(list)
	out := []any{}
	for _, id := range list {
		out = append(out, id)
	}
	return out
}

// flags are all episodes that ever were and those that are sure to come when
// nothing else happens.
func (m *moment) flags() []*flag {
	all := []*flag{}
	for _, id := range sortedKeys(m.plan.Checks) {
		c := m.plan.Checks[id]
		_, stop := m.plan.live(id)
		mine := slices.Concat(m.overdue(id), m.visit(id), m.limit(id), m.doubt(id), m.near(id), m.bad(id), m.disagree(id), m.drift(id), m.shift(id))
		for _, f := range mine {
			// Whatever is open when the check is retired clears then.
			if f.cleared > stop {
				f.cleared = stop
				if stop <= m.now {
					f.fields["cleared"] = stop
				}
			}
			f.fields["gate"], f.fields["check"] = c.Gate, id
			put(f.fields, "part", c.Part)
		}
		all = append(all, mine...)
	}
	all = slices.Concat(all, m.manual(), m.faults(), m.clocks(), m.oddities(),
		m.rates(), m.repeats(), m.quietSite(), m.quietDevices(), m.altered())
	real := []*flag{}
	for _, f := range all {
		if f.raised < f.cleared {
			m.acts(f)
			real = append(real, f)
		}
	}
	return real
}

// listed are the episodes that the output shows.
func listed(flags []*flag, now int64) []any {
	shown := []*flag{}
	for _, f := range flags {
		if f.raised <= now && (f.cleared > now || now-f.cleared < keep) {
			shown = append(shown, f)
		}
	}
	sort.SliceStable(shown, func(i, j int) bool {
		a, b := shown[i], shown[j]
		if a.raised != b.raised {
			return a.raised < b.raised
		}
		if one, two := a.fields["subject"].(string), b.fields["subject"].(string); one != two {
			return one < two
		}
		return a.cleared < b.cleared
	})
	list := []any{}
	for _, f := range shown {
		put(f.fields, "under", under(f, shown))
		list = append(list, f.fields)
	}
	return list
}

func (m *moment) acts(f *flag) {
	all := []string{}
	var taken, dismissed *entry
	for _, e := range m.active {
		if e.Flag != f.fields["subject"] || e.At < f.raised || e.At >= f.cleared {
			continue
		}
		switch e.Kind {
		case "take":
			if taken == nil {
				taken = e
			}
		case "handback":
			taken = nil
		case "dismiss":
			if dismissed == nil {
				dismissed = e
			}
		default:
			continue
		}
		all = append(all, e.ID)
	}
	f.fields["acts"] = ids(all)
	if taken != nil {
		f.fields["taken"] = object{"at": taken.At, "by": taken.By, "entry": taken.ID}
	}
	if dismissed != nil {
		f.fields["dismissed"] = object{"at": dismissed.At, "by": dismissed.By, "entry": dismissed.ID, "why": dismissed.Why}
	}
}

func (m *moment) overdue(id string) []*flag {
	list := []*flag{}
	missed := misses(m.everything(id))
	_, stop := m.plan.live(id)
	for i := 0; i < len(missed); {
		first := missed[i]
		raised, cleared := first.late, stop
		var before *entry
		for _, e := range m.done[id] {
			if e.At < raised {
				before = e
			} else {
				cleared = min(cleared, e.At)
			}
		}
		for _, p := range m.parks[m.plan.Checks[id].Gate] {
			if p.from > raised {
				cleared = min(cleared, p.from)
			}
		}
		n := int64(0)
		for i < len(missed) && (missed[i].late < cleared || n == 0) {
			i++
			n++
		}
		params := object{"due": first.due, "missed": n}
		entries := []string{}
		if before != nil {
			params["last"] = before.At
			entries = append(entries, before.ID)
		}
		list = append(list, m.raise("overdue", id, "flag.overdue", "watch", raised, cleared, entries, params))
	}
	return list
}

// visit tells that a visit will be wanted, some time before it is due.
func (m *moment) visit(id string) []*flag {
	list := []*flag{}
	if m.plan.Checks[id].Kind != "visit" {
		return list
	}
	show := func(o owed, cleared int64) {
		raised := max(o.due-14*day, o.opens)
		if raised >= cleared {
			return
		}
		params, entries := object{"due": o.due}, []string{}
		for _, e := range m.done[id] {
			if e.At < raised {
				params["last"], entries = e.At, []string{e.ID}
			}
		}
		list = append(list, m.raise("visit", id, "flag.visit", "know", raised, cleared, entries, params))
	}
	for _, o := range m.obligations(id) {
		show(o, o.closed)
	}
	// What stands now, or stood when the check came to its end.
	start, stop := m.plan.live(id)
	at := min(m.now, stop-1)
	if o, ok := m.obligation(id, m.anchor(id), at); ok && start <= at && (m.now < o.late || stop <= o.late) {
		show(o, never)
	}
	return list
}

func (p *plan) manualAfter() int64 {
	if p.Site.ManualAfter == nil {
		return 30
	}
	return *p.Site.ManualAfter
}

func (m *moment) manual() []*flag {
	list := []*flag{}
	for _, id := range sortedKeys(m.plan.Gates) {
		var by *entry // the manual entry that holds
		for _, e := range append(m.kind("mode"), nil) {
			switch {
			case e == nil:
				if by != nil {
					list = append(list, m.manualFlags(id, by, nil)...)
				}
			case e.Gate != id:
			case e.Mode == "manual" && by == nil:
				by = e
			case e.Mode == "automatic" && by != nil:
				list = append(list, m.manualFlags(id, by, e)...)
				by = nil
			}
		}
	}
	return list
}

// manualFlags cuts the parks out of the time in manual.
func (m *moment) manualFlags(id string, by, auto *entry) []*flag {
	from, to := by.At, m.plan.Gates[id].end()
	if by.Check == "" {
		from += m.plan.manualAfter() * minute
	}
	if auto != nil {
		to = min(to, auto.At)
	}
	stretches := []span{{from, to}}
	for _, p := range m.parks[id] {
		cut := []span{}
		for _, s := range stretches {
			cut = append(cut, span{s.from, min(s.to, p.from)}, span{max(s.from, p.to), s.to})
		}
		stretches = cut
	}
	list := []*flag{}
	for _, s := range stretches {
		if s.from >= s.to {
			continue
		}
		entries := []string{by.ID}
		if auto != nil && s.to == auto.At {
			entries = append(entries, auto.ID)
		}
		f := m.raise("manual", id, "flag.manual", "act", s.from, s.to, entries, object{"since": by.At})
		f.fields["gate"] = id
		list = append(list, f)
	}
	return list
}

func (m *moment) faults() []*flag {
	list := []*flag{}
	for _, e := range m.kind("fault") {
		severity := "watch"
		if e.Stops {
			severity = "act"
		}
		retired := never
		if g := m.plan.Gates[e.Gate]; g != nil {
			retired = min(retired, g.end())
		}
		if p := m.plan.Parts[e.Part]; p != nil {
			retired = min(retired, p.end())
		}
		cleared, entries := retired, []string{e.ID}
		for _, fix := range m.kind("fixed") {
			if fix.Of == e.ID {
				if at := max(fix.At, e.At); at <= retired {
					cleared = at
					entries = append(entries, fix.ID)
				}
				break
			}
		}
		f := m.raise("fault", e.ID, "flag.fault", severity, e.At, cleared, entries, object{"seen": e.Seen})
		put(f.fields, "gate", e.Gate)
		put(f.fields, "part", e.Part)
		list = append(list, f)
	}
	return list
}

func (m *moment) clocks() []*flag {
	list := []*flag{}
	type run struct {
		raised, offset int64
		entries        []string
	}
	open := map[string]*run{}
	show := func(device string, r *run, cleared int64) {
		list = append(list, m.raise("clock", device, "flag.clock", "know", r.raised, cleared, r.entries, object{"offset": r.offset}))
	}
	for _, e := range m.kind("clock") {
		r := open[e.Device]
		if e.Offset >= 2*minute || e.Offset <= -2*minute {
			if r == nil {
				r = &run{raised: e.At}
				open[e.Device] = r
			}
			r.offset, r.entries = e.Offset, append(r.entries, e.ID)
		} else if r != nil {
			r.entries = append(r.entries, e.ID)
			show(e.Device, r, e.At)
			delete(open, e.Device)
		}
	}
	for _, device := range sortedKeys(open) {
		show(device, open[device], never)
	}
	return list
}

func (m *moment) oddities() []*flag {
	list := []*flag{}
	for _, e := range m.active {
		reason := m.odd[e.ID]
		if reason == "" {
			continue
		}
		f := m.raise("odd", e.ID, "flag.odd", "know", e.At, never, []string{e.ID}, object{"reason": reason})
		put(f.fields, "gate", e.Gate)
		put(f.fields, "part", e.Part)
		put(f.fields, "check", e.Check)
		list = append(list, f)
	}
	return list
}
