package rules

// clockDoubt is how far off a device's clock has to be, in ms.
const clockDoubt = 120_000

// clock is the subject of one device: a flag while its clock is in doubt.
type clock struct {
	fragment *fragment
	device   string
	entries  factList
}

func (c *clock) view(e *Engine, now int64) view {
	v := view{next: never}
	doubt := track{episode: episode{rule: ruleClock, target: c.device, severity: Know}}
	c.entries.active(func(f *fact) {
		if f.offset >= clockDoubt || f.offset <= -clockDoubt {
			doubt.note(f.at, f.id)
			doubt.params = []Param{wholeParam("offset", f.offset)}
		} else {
			doubt.close(f.at, f.id)
		}
	})
	if doubt.open {
		ep := doubt.ended(never, "")
		e.show(&v, now, &ep, "", "", "")
	}
	for i := len(doubt.past) - 1; i >= 0 && doubt.past[i].cleared > now-keepMs; i-- {
		e.show(&v, now, &doubt.past[i], "", "", "")
	}
	return v
}
