package rules

import "slices"

// heads are the rules under which a flag of the same check stands, the first
// that is listed; quiet and repeat are seen to when all are together.
var heads = map[string][]string{
	ruleNear:     {ruleShift, ruleDrift},
	ruleDrift:    {ruleLimit, ruleDoubt, ruleShift},
	ruleShift:    {ruleLimit, ruleDoubt},
	ruleDoubt:    {ruleLimit},
	ruleDisagree: {ruleLimit},
	ruleVisit:    {ruleOverdue},
}

// overlaps says whether two listed episodes have an instant in common.
func overlaps(a, b *Flag) bool {
	return (!b.HasCleared || a.Raised < b.Cleared) && (!a.HasCleared || b.Raised < a.Cleared)
}

// standUnder says of the flags of one check which stands under which.
func standUnder(flags []Flag) {
	if len(flags) < 2 {
		return
	}
	for i := range flags {
		f := &flags[i]
		for _, rule := range heads[f.Rule] {
			if h := headOf(flags, f, rule); h != nil {
				f.Under = h.Subject
				break
			}
		}
	}
}

// headOf is a flag of a rule that f overlaps, or nil.
func headOf(flags []Flag, f *Flag, rule string) *Flag {
	for i := range flags {
		if h := &flags[i]; h.Rule == rule && overlaps(f, h) {
			return h
		}
	}
	return nil
}

// isHead says whether a flag can have flags of other subjects under it.
func isHead(f *Flag) bool { return f.Subject == quietSite || f.Rule == ruleRepeat }

// standUnderHeads says the same of flags of other subjects, of all that are
// listed; it must be given flags that nobody else has.
func standUnderHeads(flags []Flag) {
	for i := range flags {
		h := &flags[i]
		if !isHead(h) {
			continue
		}
		for j := range flags {
			f := &flags[j]
			if f.Under != "" || i == j || !overlaps(f, h) {
				continue
			}
			switch {
			case h.Rule == ruleRepeat:
				if f.Rule == ruleFault && f.Gate == h.Gate && slices.Contains(h.Entries, f.Entries[0]) {
					f.Under = h.Subject
				}
			case f.Rule == ruleQuiet && f.Subject != quietSite, f.Rule == ruleOverdue && f.Raised > h.since():
				f.Under = h.Subject
			}
		}
	}
}

// since is the parameter of that name.
func (f *Flag) since() int64 {
	for i := range f.Params {
		if f.Params[i].Name == "since" {
			return f.Params[i].Whole
		}
	}
	return never
}
