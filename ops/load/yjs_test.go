package main

import (
	"encoding/base64"
	"testing"
	"time"
)

// What Yjs 13.6 writes for two map.set of entries, by updates.mjs, is read from the messages of both servers; an
// entry counts once for a phone, and not at its writer's.
func TestYMessages(t *testing.T) {
	entries, err := newPen(1).draw(3, 1, 1, time.UnixMilli(1764000000000), func(int, int) author { return author{"p000000000", "d000000000"} })
	if err != nil {
		t.Fatal(err)
	}
	for _, prefix := range [][]byte{nil, yString(nil, "a room")} {
		var g goal
		all := g.aim(2)
		c := &yClient{ear: newEar(nil, newLedger(entries), &tally{goal: &g}), prefix: prefix, own: map[int]bool{2: true}, seen: map[int]bool{}, moved: make(chan struct{}, 1)}
		// An update holds the key and the value as they are, between bytes of its own.
		update := []byte{1, 1, 7, 0, 40, 1}
		for _, e := range entries {
			update = yString(append(yString(update, e.id), 1, 119), e.raw)
		}
		for _, step := range []byte{yStepMissing, yStepUpdate} {
			if err := c.take(ySync(prefix, step, update), c.led.now()); err != nil {
				t.Fatal(err)
			}
		}
		select {
		case <-all:
		default:
			t.Errorf("%d entries came, want 2", g.count())
		}
		if n, err := c.came(); n != 2 || err != nil || !c.answered {
			t.Errorf("%d came, %v, answered %v", n, err, c.answered)
		}
		for _, bad := range [][]byte{ySync(prefix, yStepUpdate, update)[:len(prefix)+20], append(prefix[:len(prefix):len(prefix)], yMessageAuth, yAuthDenied)} {
			if err := c.take(bad, 0); err == nil {
				t.Errorf("%x was taken", bad)
			}
		}
	}
	// One update that Yjs wrote: {client: 7, id: "01A", raw: "{}"}.
	wrote, err := base64.StdEncoding.DecodeString("AQEHACgBA2xvZwMwMUEBdwJ7fQA=")
	if err != nil {
		t.Fatal(err)
	}
	if frame := ySync(nil, yStepUpdate, wrote); frame[0] != 0 || frame[1] != 2 || int(frame[2]) != len(wrote) || len(frame) != len(wrote)+3 {
		t.Errorf("frame is %x", frame)
	}
}
