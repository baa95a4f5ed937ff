package rules

import (
	"slices"

	"gatewright/schema/logbook"
)

// repeatSpan is how near to one another three faults make a repeat.
const repeatSpan = 30 * dayMs

// repeats is the subject of one gate: the flag repeat.
type repeats struct {
	fragment *fragment
	gate     *gate
	faults   factList

	stale    bool
	episodes []episode
}

// stretch is what three faults of one group make.
type stretch struct {
	interval
	group []*fact // up to and including the last of the three
}

func (r *repeats) changed(e *Engine) {
	r.stale = true
	e.touch(r.fragment)
}

func (r *repeats) view(e *Engine, now int64) view {
	v := view{next: never}
	if r.gate.plan == nil {
		return v
	}
	if r.stale {
		r.stale = false
		r.episodes = r.find(retiredAt(r.gate.plan.Retired))
	}
	for i := len(r.episodes) - 1; i >= 0 && r.episodes[i].cleared > now-keepMs; i-- {
		ep := r.episodes[i]
		e.show(&v, now, &ep, r.gate.id, "", "")
	}
	return v
}

// find unites the stretches of all groups.
func (r *repeats) find(end int64) []episode {
	type kind struct{ seen, part string }
	groups := map[kind][]*fact{}
	var all []stretch // by from, since faults come in order
	r.faults.active(func(f *fact) {
		k := kind{f.seen, f.part}
		g := append(groups[k], f)
		groups[k] = g
		if n := len(g); n >= 3 {
			s := stretch{interval{f.at, min(g[n-3].at+repeatSpan, end)}, g}
			if s.from < s.to {
				all = append(all, s)
			}
		}
	})
	var out []episode
	for i := 0; i < len(all); {
		ep := episode{rule: ruleRepeat, target: r.gate.id, severity: Watch, raised: all[i].from, cleared: all[i].to}
		j := i
		var entries []logbook.EntryID
		for ; j < len(all) && all[j].from <= ep.cleared; j++ {
			ep.cleared = max(ep.cleared, all[j].to)
			for _, f := range all[j].group[len(all[j].group)-3:] {
				entries = append(entries, f.id)
			}
		}
		ep.entries = sortIDs(entries)
		ep.params = repeatParams(all[j-1].group)
		out = append(out, ep)
		i = j
	}
	return out
}

// repeatParams are those of the last fault of a group.
func repeatParams(group []*fact) []Param {
	last := group[len(group)-1]
	first := slices.IndexFunc(group, func(f *fact) bool { return f.at > last.at-repeatSpan })
	return []Param{
		wholeParam("n", int64(len(group)-first)), textParam("seen", last.seen), wholeParam("since", group[first].at),
	}
}
