package crash

import (
	"bytes"
	"fmt"
)

// harm is one way to damage a copy.
type harm struct {
	name string
	do   func(*files)
	kept int // transactions of the log that are left
}

// logHarm gives the i-th way to damage the log; places are drawn.
func (d *damage) logHarm(i int) harm {
	w := d.log
	frame := w.frame()
	end := walHeader + w.frames*frame
	cut := func(name string, at int) harm {
		return harm{fmt.Sprintf("%s, cut at %d of %d", name, at, end), func(f *files) { f.log = f.log[:min(at, len(f.log))] }, w.kept(at)}
	}
	flip := func(name string, at int) harm {
		from := 0 // damage to the header takes everything
		if at >= walHeader {
			from = at - (at-walHeader)%frame
		}
		bit := byte(1) << d.chance.IntN(8)
		return harm{fmt.Sprintf("%s, bit changed at %d of %d", name, at, end), func(f *files) { f.log[at] ^= bit }, w.kept(from)}
	}
	start := walHeader + d.chance.IntN(w.frames)*frame
	last := end - frame
	switch i % 12 {
	case 0:
		return cut("between two transactions", d.endOf(d.chance.IntN(len(w.commits))))
	case 1:
		return cut("half a frame", start+frameHeader+d.chance.IntN(w.page))
	case 2:
		return flip("in a page", start+frameHeader+d.chance.IntN(w.page))
	case 3:
		return flip("in a frame's header", start+d.chance.IntN(frameHeader))
	case 4:
		return flip("in the log's header", d.chance.IntN(walHeader))
	case 5:
		return harm{"the log gone", func(f *files) { f.log = nil }, 0}
	case 6:
		return cut("in the log's header", d.chance.IntN(walHeader))
	case 7:
		return harm{"the last sector never written", func(f *files) { clear(f.log[end-512 : end]) }, w.kept(last)}
	case 8:
		return cut("after the last acknowledged transaction", d.endOf(d.needed)+d.chance.IntN(end-d.endOf(d.needed)+1))
	case 9:
		return harm{"rubbish after the end", func(f *files) {
			f.log = append(f.log[:end], bytes.Repeat([]byte{0xa5}, 1+d.chance.IntN(3*frame))...)
		}, len(w.commits)}
	case 10:
		return harm{"half a frame after the end", func(f *files) {
			f.log = append(f.log[:end], f.log[start:start+frame/2]...)
		}, len(w.commits)}
	}
	return cut("between two frames", start)
}
