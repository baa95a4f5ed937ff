package phonesim_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/change"
)

const site = "6ba7b810-9dad-41d1-80b4-00c04fd430c8"

// shelf is a phone with its disk, on a clock that the test turns.
type shelf struct {
	t    *testing.T
	now  int64
	cfg  phonesim.Config
	disk *phonesim.Disk
	*phonesim.Phone
}

func newPhone(t *testing.T, device string, now string) *shelf {
	t.Helper()
	s := &shelf{t: t, now: instant(t, now), disk: phonesim.NewDisk()}
	source := rand.NewChaCha8([32]byte([]byte(device + strings.Repeat(".", 32-len(device)))))
	s.cfg = phonesim.Config{Site: site, Device: device, Clock: func() int64 { return s.now },
		Random: func(b []byte) { _, _ = source.Read(b) }}
	s.restart()
	return s
}

func (s *shelf) restart() {
	s.t.Helper()
	p, err := phonesim.Open(s.cfg, s.disk)
	if err != nil {
		s.t.Fatal(err)
	}
	s.Phone = p
}

func (s *shelf) tick(check string) logbook.EntryID {
	s.t.Helper()
	id, err := s.Record(logbook.Entry{Kind: logbook.Tick, By: "p000000001", Check: check})
	if err != nil {
		s.t.Fatal(err)
	}
	return id
}

func instant(t *testing.T, s string) int64 {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at.UnixMilli()
}

// Wherever the power goes, what was called saved is in the outbox after it,
// once and in the same words.
func TestSavedIsSaved(t *testing.T) {
	probe := newPhone(t, "d000000001", "2026-03-01T06:00:00Z")
	work := func(s *shelf) (saved []logbook.EntryID) {
		for _, check := range []string{"lens", "ram", "trap"} {
			s.now += 1000
			id, err := s.Record(logbook.Entry{Kind: logbook.Tick, By: "p000000001", Check: check})
			if errors.Is(err, phonesim.ErrOff) {
				return saved
			}
			if err != nil {
				t.Fatal(err)
			}
			saved = append(saved, id)
			if err := s.Flush(); err != nil {
				return saved
			}
		}
		return saved
	}
	if got := len(work(probe)); got != 3 {
		t.Fatalf("%d entries saved without a crash, want 3", got)
	}
	steps := probe.disk.StepsDone()
	if steps < 9 {
		t.Fatalf("only %d steps: the test looks past the crash points", steps)
	}
	for at := 1; at <= steps; at++ {
		s := newPhone(t, "d000000001", "2026-03-01T06:00:00Z")
		s.disk.CrashAfter(at)
		saved := work(s)
		if s.On() {
			t.Fatalf("step %d: the phone is still on", at)
		}
		if _, err := s.Record(logbook.Entry{Kind: logbook.Tick, By: "p000000001", Check: "lens"}); !errors.Is(err, phonesim.ErrOff) {
			t.Fatalf("step %d: a dead phone recorded, error %v", at, err)
		}
		s.restart()
		parcels := s.Outbox()
		for _, id := range saved {
			i := slices.IndexFunc(parcels, func(p phonesim.Parcel) bool { return p.ID == id })
			if i < 0 || parcels[i].State != phonesim.Waiting {
				t.Errorf("step %d: %s was saved and is not waiting in the outbox", at, id)
				continue
			}
			if e, err := logbook.ParseEntry([]byte(parcels[i].Raw)); err != nil || e.ID != id {
				t.Errorf("step %d: the parcel of %s cannot be read: %v", at, id, err)
			}
			out, err := s.Rules(s.now)
			if err != nil || out == nil {
				t.Errorf("step %d: rules: %v", at, err)
			}
		}
		if len(parcels) > len(saved)+1 {
			t.Errorf("step %d: %d parcels for %d saved entries", at, len(parcels), len(saved))
		}
	}
}

// Two phones that never met begin the same month, and nothing of either is
// hidden when they meet.
func TestSameMonthBegunTwice(t *testing.T) {
	a := newPhone(t, "d00000000a", "2026-03-31T23:59:59Z")
	b := newPhone(t, "d00000000b", "2026-03-31T23:59:59Z")
	old := a.tick("lens")
	a.now, b.now = a.now+2000, b.now+2000
	ids := []logbook.EntryID{a.tick("ram"), b.tick("ram")}
	if old.Document() != "log/2026-03" || ids[0].Document() != "log/2026-04" {
		t.Fatalf("documents %s and %s", old.Document(), ids[0].Document())
	}
	if err := phonesim.Meet(a.Phone, b.Phone); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"log/2026-03", "log/2026-04"} {
		if !slices.Equal(a.Heads(name), b.Heads(name)) || !bytes.Equal(a.Projection(name), b.Projection(name)) {
			t.Errorf("%s differs", name)
		}
		if x, y := a.Changes(name), b.Changes(name); !slices.EqualFunc(x, y, bytes.Equal) {
			t.Errorf("%s has other bytes", name)
		}
	}
	for _, id := range ids {
		for _, s := range []*shelf{a, b} {
			if raw, ok := s.Entry(id); !ok || !strings.Contains(raw, string(id)) {
				t.Errorf("%s lacks %s", s.Device(), id)
			}
		}
	}
	if n := len(a.Heads("log/2026-04")); n != 2 {
		t.Errorf("the month begun twice has %d heads, want 2", n)
	}
}

// What was written late is lost with the power. The numbers that its change
// had are not used again: the actor is a new one. And what is recorded before
// the lost entry is back waits behind it.
func TestAfterLostWrite(t *testing.T) {
	s := newPhone(t, "d000000001", "2026-03-01T06:00:00Z")
	witness := newPhone(t, "d000000002", "2026-03-01T06:00:00Z")
	meet := func() {
		t.Helper()
		if err := phonesim.Meet(s.Phone, witness.Phone); err != nil {
			t.Fatal(err)
		}
	}
	lost := s.tick("lens")
	meet()
	s.disk.PowerOff()
	s.restart()
	if n := len(s.Documents()); n != 0 {
		t.Fatalf("%d documents after a crash before the late write", n)
	}
	s.now += 1000
	later := s.tick("ram")
	if _, there := s.Entry(later); there {
		t.Error("a later entry is in the month before the lost one")
	}
	meet()
	if _, there := s.Entry(lost); !there {
		t.Fatal("the lost entry did not come back")
	}
	s.disk.PowerOff()
	s.restart()
	meet()
	if n := actors(t, s.Changes(lost.Document())); n != 1 {
		t.Fatalf("%d actors, want the first start's alone", n)
	}
	fresh := newPhone(t, "d000000003", "2026-03-01T06:00:00Z")
	fresh.tick("lens")
	if err := fresh.Flush(); err != nil {
		t.Fatal(err)
	}
	fresh.disk.PowerOff()
	fresh.restart()
	fresh.tick("ram")
	if n := actors(t, fresh.Changes(lost.Document())); n != 2 {
		t.Errorf("%d actors over two starts, want 2", n)
	}
}

func actors(t *testing.T, chunks [][]byte) int {
	t.Helper()
	seen := map[change.Actor]bool{}
	for _, chunk := range chunks {
		c, err := change.Decode(chunk, change.DefaultLimits)
		if err != nil {
			t.Fatal(err)
		}
		seen[c.Actor] = true
	}
	return len(seen)
}

func TestIDs(t *testing.T) {
	s := newPhone(t, "d000000001", "2027-06-01T06:00:00Z") // a year ahead
	first := s.tick("lens")
	second := s.tick("lens")
	if second <= first {
		t.Errorf("two entries of one millisecond: %s before %s", second, first)
	}
	s.now = instant(t, "2026-06-01T06:00:00Z") // put right
	void := func(s *shelf, of logbook.EntryID) logbook.EntryID {
		id, err := s.Record(logbook.Entry{Kind: logbook.Void, By: "p000000001", Of: of})
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	v := void(s, first)
	if v <= first || v.Document() != "log/2027-06" {
		t.Errorf("the void %s does not follow %s", v, first)
	}
	raw, _ := s.Entry(v)
	if e, err := logbook.ParseEntry([]byte(raw)); err != nil || e.At != s.now {
		t.Errorf("the void is not of now: %v", err)
	}
	if after := s.tick("lens"); after.Document() != "log/2026-06" {
		t.Errorf("an entry made after the clock was put right lies in %s", after.Document())
	}
	other := newPhone(t, "d000000002", "2026-06-01T06:00:00Z")
	if err := phonesim.Meet(s.Phone, other.Phone); err != nil {
		t.Fatal(err)
	}
	if w := void(other, first); w == v {
		t.Error("two phones void the same entry under the same id")
	}
}

func TestBadEntries(t *testing.T) {
	s := newPhone(t, "d000000001", "2026-03-01T06:00:00Z")
	for want, e := range map[string]logbook.Entry{
		"check": {Kind: logbook.Tick, By: "p000000001"},
		"by":    {Kind: logbook.Tick, By: "ann", Check: "lens"},
		"kind":  {Kind: "polish", By: "p000000001"},
		"value": {Kind: logbook.Reading, By: "p000000001", Check: "air"},
	} {
		_, err := s.Record(e)
		var p *logbook.Problem
		if !errors.As(err, &p) || p.Field != want {
			t.Errorf("%s: error %v", want, err)
		}
	}
	s.now = instant(t, "1970-01-01T00:00:10Z")
	if _, err := s.Record(logbook.Entry{Kind: logbook.Tick, By: "p000000001", Check: "lens"}); err == nil {
		t.Error("an entry of 1970 was recorded")
	}
	if len(s.Outbox()) != 0 || len(s.Documents()) != 0 {
		t.Errorf("something of them is stored: %v, %v", s.Outbox(), s.Documents())
	}
}

func TestBadFrames(t *testing.T) {
	s := newPhone(t, "d000000001", "2026-03-01T06:00:00Z")
	if err := s.Receive([]byte{0xa0}); err == nil {
		t.Error("a frame was taken without a connection")
	}
	for _, frame := range [][]byte{nil, {0xff}, {0xa0}, []byte("join"), bytes.Repeat([]byte{0x9f}, 100)} {
		if err := s.Connect(s.now); err != nil {
			t.Fatal(err)
		}
		if err := s.Receive(frame); err == nil {
			t.Errorf("frame %x was taken", frame)
		}
	}
}
