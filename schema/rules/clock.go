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
	doubt := opened{episode: episode{rule: ruleClock, target: c.device, severity: Know}}
	var found []episode
	c.entries.active(func(f *fact) {
		if f.offset >= clockDoubt || f.offset <= -clockDoubt {
			doubt.note(f.at, f.id)
			doubt.params = []Param{wholeParam("offset", f.offset)}
		} else {
			found = doubt.close(found, f.at, f.id)
		}
	})
	found = doubt.end(found, never)
	for i := range found {
		e.show(&v, now, &found[i], "", "", "")
	}
	return v
}
