package hub_test

import (
	"strings"
	"testing"

	"gatewright/schema/logbook"
)

// What is merely odd is taken, for the rules to flag: refusing is for what
// breaks the protocol or is not its author's to do.
func TestOddIsTaken(t *testing.T) {
	rewrite := func(from, to string) func(p *peer) string {
		return func(p *peer) string {
			op := p.set(p.entry(logbook.Tick))
			text := strings.Replace(op.Value.Str, from, to, 1)
			if text == op.Value.Str {
				t.Fatalf("no %q in %s", from, text)
			}
			op.Value.Str = text
			p.put(november, p.next(november, op))
			return op.Key
		}
	}
	own := func(p *peer) logbook.EntryID {
		return logbook.EntryID(p.record(p.entry(logbook.Tick, func(e *logbook.Entry) { e.ID = p.l.entryID(noon - 60_000) })))
	}
	void := func(p *peer, of logbook.EntryID) string {
		return p.record(p.entry(logbook.Void, func(e *logbook.Entry) { e.Of = of }))
	}
	for name, do := range map[string]func(p *peer) string{
		"an id of tomorrow week": func(p *peer) string { // a clock that is wrong; the server's clock entries tell
			return p.record(p.entry(logbook.Tick, func(e *logbook.Entry) { e.ID = p.l.entryID(noon + 8*24*3600_000) }))
		},
		"done in the year 2099": func(p *peer) string {
			return p.record(p.entry(logbook.Tick, func(e *logbook.Entry) { e.At = 4_070_908_800_000 }))
		},
		"done before the site was": func(p *peer) string {
			return p.record(p.entry(logbook.Tick, func(e *logbook.Entry) { e.At = 946_684_800_000 }))
		},
		"a check that the plan does not have": func(p *peer) string {
			return p.record(p.entry(logbook.Tick, func(e *logbook.Entry) { e.Check = "nothing" }))
		},
		"a field nobody knows":         rewrite(`"v":1`, `"v":1,"zz":"later"`),
		"its own voided":               func(p *peer) string { return void(p, own(p)) },
		"its own voided a second time": func(p *peer) string { of := own(p); void(p, of); return void(p, of) },
		"its own void voided": func(p *peer) string {
			return void(p, logbook.EntryID(void(p, own(p))))
		},
		"a replacement of what was voided": func(p *peer) string {
			of := own(p)
			void(p, of)
			return p.record(p.entry(logbook.Tick, func(e *logbook.Entry) { e.Replaces = of }))
		},
		"a replacement of what was replaced": func(p *peer) string {
			of := own(p)
			p.record(p.entry(logbook.Tick, func(e *logbook.Entry) { e.Replaces = of }))
			return p.record(p.entry(logbook.Tick, func(e *logbook.Entry) { e.Replaces = of }))
		},
		"the same twice under two ids": func(p *peer) string {
			p.tick()
			return p.tick()
		},
		"text of every sort": func(p *peer) string {
			return p.record(p.entry(logbook.Note, func(e *logbook.Entry) { e.Text = "<script>alert(1)</script> ' OR 1=1 -- \u202e é 門 🚪" }))
		},
	} {
		t.Run(name, func(t *testing.T) {
			l := newLab(t)
			p, other := l.peer(l.enrol(1, "crew")), l.peer(l.enrol(2, "crew"))
			other.connect()
			other.open(november)
			p.connect()
			p.open(november)
			l.settle(20)
			id := do(p)
			l.settle(60)
			if l.stored(november)[id] == nil || !other.has(november, id) || len(p.refused) > 0 || p.closed != nil {
				t.Errorf("not taken: refused %+v, closed %+v", p.refused, p.closed)
			}
			l.wantSame(november, p, other)
		})
	}
}
