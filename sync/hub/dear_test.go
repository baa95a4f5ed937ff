package hub_test

import (
	"bytes"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// The dearest frames of a megabyte that a device can send: what each costs the
// site's goroutine is what the tolls are measured by.
func BenchmarkDearFrames(b *testing.B) {
	small := func(p *peer, ops int) []byte { // as many operations in as few bytes as there may be
		c := p.next("plan")
		key := p.field(b, "gates", "east", "name", change.String(""))
		for range ops {
			op := key
			op.Pred, op.Value = nil, change.Value{}
			c.Ops = append(c.Ops, op)
		}
		return p.encoded(c)
	}
	for name, make1 := range map[string]func(p *peer) (doc string, chunk func(i int) []byte){
		"claimed": func(p *peer) (string, func(int) []byte) {
			x := p.apart(p.next("plan", p.field(b, "gates", "east", "name", change.String("x"))))
			x.set(actions, append(uleb(30), 1)...)
			return "plan", func(i int) []byte { x.time = uleb(uint64(1 + i)); return sealed(1, x.contents()) }
		},
		"written": func(p *peer) (string, func(int) []byte) {
			whole := small(p, 40)
			x := body(whole)
			return "plan", func(i int) []byte {
				y := bytes.Clone(x)
				y[len(y)-1] ^= byte(i)
				return sealed(1, y)
			}
		},
		"entries": func(p *peer) (string, func(int) []byte) {
			return november, func(int) []byte {
				c := p.next(november, p.set(p.entry(logbook.Tick)))
				c.Actor = change.Actor(p.l.entryID(noon))
				return p.encoded(c)
			}
		},
		"deflated": func(p *peer) (string, func(int) []byte) {
			d := deflated(make([]byte, 4000))
			return november, func(i int) []byte { e := bytes.Clone(d); e[4], e[5] = byte(i), byte(i>>8); return e }
		},
	} {
		b.Run(name, func(b *testing.B) {
			frames := 0
			for b.Loop() {
				b.StopTimer()
				l, p, _ := stage(b, true)
				doc, chunk := make1(p)
				var chunks [][]byte
				size := 0
				for i := 0; size < 1000<<10; i++ {
					c := chunk(i)
					chunks, size = append(chunks, c), size+len(c)+3
				}
				frame := p.chunks(doc, chunks...)
				l.settle(100)
				b.SetBytes(int64(len(frame)))
				b.StartTimer()
				l.post(hub.Frame{Conn: p.conn, Bytes: frame})
				l.settle(1_000_000)
				frames += len(chunks)
			}
			b.ReportMetric(float64(frames)/float64(b.N), "changes/frame")
		})
	}
}
