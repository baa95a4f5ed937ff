package scenario

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"slices"
	"strings"
	"testing"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/replay"
)

// yard is a small site with two phones on one clock: p1 of Ann and Bob, p2 of
// the manager.
func yard(t *testing.T) *World {
	t.Helper()
	w := NewWorld(memory)
	w.now = must(ParseInstant("2026-03-31T23:00Z"))
	items, err := PlanItems("UTC", strings.ReplaceAll(Yard, "SINCE", "2026-03-31T20:30Z"))
	if err == nil {
		err = w.StartSite(items)
	}
	for _, p := range [][3]string{{"p1", "ann", "crew"}, {"p1", "bob", "crew"}, {"p2", "cat", "manager"}} {
		if err == nil {
			err = w.Enrol(p[0], p[1], p[2], false)
		}
	}
	if err == nil {
		err = w.Sync()
	}
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// trouble is what goes wrong in a day.
type trouble struct {
	again  func() // called when the power went; nil = it must not
	cut    int    // each time there is a link, it breaks at this frame; 0 = it holds
	breaks int    // how often it did
}

// day is what happens on p1 over a month's end: work offline and online, some
// of it not allowed, with an entry's voiding and a person who leaves. The work
// goes on after trouble. It gives what was called saved.
func day(t *testing.T, w *World, bad *trouble) (saved []logbook.EntryID) {
	t.Helper()
	h := w.phones["p1"]
	again := bad.again
	if again == nil {
		again = func() { t.Fatal("the power went by itself") }
	}
	log := func(kind string, fields ...string) logbook.EntryID {
		t.Helper()
		w.now += 60_000
		f := map[string]string{}
		for _, kv := range fields {
			k, v, _ := strings.Cut(kv, "=")
			f[k] = v
		}
		id, err := w.Log(h, kind, f)
		switch {
		case err == nil:
			saved = append(saved, id)
		case errors.Is(err, phonesim.ErrOff):
			again()
		default:
			t.Fatalf("%s: %v", kind, err)
		}
		return id // "" when the power went
	}
	sync := func() {
		t.Helper()
		w.now += 60_000
		h.cut = bad.cut
		if err := w.Sync(); err != nil {
			t.Fatal(err)
		}
		if !h.online {
			bad.breaks++
			w.Online(h)
			if err := w.Sync(); err != nil {
				t.Fatal(err)
			}
		}
		if !h.phone.On() {
			again()
		}
	}
	w.Offline(h)
	log("tick", "by=ann", "check=wipe")
	log("dismiss", "by=ann", "flag=overdue/wipe", "why=no")
	log("reading", "by=bob", "check=air", "value=7", "unit=bar")
	w.now = must(ParseInstant("2026-04-01T00:10Z"))
	log("tick", "by=bob", "check=grease")
	w.Online(h)
	sync()
	log("note", "by=ann", "text=april")
	if id := log("tick", "by=bob", "check=wipe"); id != "" {
		log("void", "by=bob", "of="+string(id))
	}
	sync()
	w.Offline(h)
	log("tick", "by=ann", "check=wipe")
	if err := w.EndPerson("ann"); err != nil {
		t.Fatal(err)
	}
	log("tick", "by=ann", "check=grease")
	log("event", "by=bob", "event=frost")
	w.Online(h)
	sync()
	return saved
}

// accounted checks that every saved entry is in the log, or kept on the phone
// as not accepted, that nothing is there twice, and that all agree.
func accounted(t *testing.T, w *World, saved []logbook.EntryID) {
	t.Helper()
	h := w.phones["p1"]
	w.Online(h)
	h.disk.CrashAfter(0)
	if err := w.SyncPhone(h); err != nil {
		t.Fatal(err)
	}
	if err := w.Converged(); err != nil {
		t.Fatal(err)
	}
	site, err := replay.Read(context.Background(), w.server.store, w.site)
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range saved {
		stored := 0
		for _, e := range site.Entries {
			if e.ID == id {
				stored++
			}
		}
		parcels := h.phone.Outbox()
		kept := slices.IndexFunc(parcels, func(p phonesim.Parcel) bool { return p.ID == id })
		if kept >= 0 && parcels[kept].State == phonesim.Refused {
			stored++
		}
		if stored != 1 {
			t.Errorf("%s was called saved and is there %d times", id, stored)
		}
	}
	for _, p := range h.phone.Outbox() {
		e, err := logbook.ParseEntry([]byte(p.Raw))
		if err != nil || e.Kind != logbook.Dismiss && w.name(e.By) != "ann" {
			t.Errorf("%s is not accepted: %s", p.Raw, p.Reason)
		}
	}
}

// However often the power goes, and wherever.
func TestCrashAtEveryStep(t *testing.T) {
	w := yard(t)
	before := w.phones["p1"].disk.StepsDone()
	saved := day(t, w, &trouble{})
	if len(saved) != 10 {
		t.Fatalf("%d entries saved, want 10", len(saved))
	}
	steps := w.phones["p1"].disk.StepsDone() - before
	accounted(t, w, saved)
	if steps < 40 {
		t.Fatalf("only %d steps: the day is too short to show anything", steps)
	}
	second := []int{0, 1, 2, 5}
	if testing.Short() {
		second = second[:1]
	}
	for at := 1; at <= steps; at++ {
		for _, then := range second {
			w := yard(t)
			h := w.phones["p1"]
			h.disk.CrashAfter(at)
			crashes := 0
			restart := func() {
				crashes++
				if crashes == 1 && then > 0 { // the next may come while it starts
					h.disk.CrashAfter(then)
				}
				w.hangUp()
				for h.start() != nil {
					crashes++
				}
			}
			saved := day(t, w, &trouble{again: restart})
			if crashes == 0 {
				t.Fatalf("step %d: no crash", at)
			}
			accounted(t, w, saved)
			if t.Failed() {
				t.Fatalf("with the power gone at step %d and %d steps later", at, then)
			}
		}
	}
}

// The link breaks at every frame, in either direction, and comes back.
func TestLinkBreaksAtEveryFrame(t *testing.T) {
	for at := 1; ; at++ {
		w := yard(t)
		bad := trouble{cut: at}
		saved := day(t, w, &bad)
		accounted(t, w, saved)
		if t.Failed() {
			t.Fatalf("with the link broken at frame %d", at)
		}
		if bad.breaks == 0 {
			if at < 10 {
				t.Fatalf("only %d frames: the day is too short to show anything", at)
			}
			return
		}
	}
}

// The same story gives the same frames, byte for byte.
func TestSameStorySameBytes(t *testing.T) {
	var traces [2][]byte
	for i := range traces {
		w := yard(t)
		sum := sha256.New()
		w.server.trace = sum
		day(t, w, &trouble{})
		traces[i] = sum.Sum(nil)
	}
	if !bytes.Equal(traces[0], traces[1]) {
		t.Error("two runs of one story differ")
	}
	empty := sha256.Sum256(nil)
	if bytes.Equal(traces[0], empty[:]) {
		t.Error("nothing was traced")
	}
}

// The check that ends every story fails when there is something to see.
func TestConvergedSees(t *testing.T) {
	w := yard(t)
	if err := w.Converged(); err != nil {
		t.Fatal(err)
	}
	w.Offline(w.phones["p2"])
	if _, err := w.Log(w.phones["p1"], "tick", map[string]string{"by": "ann", "check": "wipe"}); err != nil {
		t.Fatal(err)
	}
	wants := func(what string) {
		t.Helper()
		if err := w.Converged(); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("error %v, want one about %q", err, what)
		}
	}
	wants("still waits in the outbox")
	if err := w.Sync(); err != nil {
		t.Fatal(err)
	}
	wants("heads")
	w.Online(w.phones["p2"])
	if err := w.Sync(); err != nil {
		t.Fatal(err)
	}
	if err := w.Converged(); err != nil {
		t.Fatal(err)
	}
	w.phones["p1"].disk.PowerOff()
	wants("the phone is off")
}
