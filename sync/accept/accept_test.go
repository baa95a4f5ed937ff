package accept_test

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"gatewright/schema/logbook"
	"gatewright/sync/accept"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
	"gatewright/sync/replay"
)

const (
	site   = "6ba7b810-9dad-41d1-80b4-00c04fd430c8"
	device = "d00000000a"
	person = "p00000000a"
)

var begun = time.Date(2026, 2, 28, 23, 59, 0, 0, time.UTC).UnixMilli()

// desk is a real hub over a store in memory, with a log that may be tampered with.
type desk struct {
	t     *testing.T
	store *memstore.Store
	log   accept.Log
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	d := &desk{t: t, store: memstore.New()}
	d.store.PutSite(site)
	runner := hub.NewRunner(d.store, hub.Config{Now: func() time.Time { return time.UnixMilli(begun) }}, slog.New(slog.DiscardHandler))
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := runner.Close(ctx); err != nil {
			t.Error(err)
		}
	})
	d.log = accept.Log{Load: d.store.Load, Write: runner.WriteEntries}
	return d
}

func note(t *testing.T, n int64, text string) string {
	t.Helper()
	raw, err := logbook.Entry{ID: logbook.NewEntryID(begun+n, [10]byte{byte(n)}), Kind: logbook.Note, At: begun + n, By: person, Dev: device, Text: text}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

// lines gives what the log holds: the words of notes, and of what is admitted "in" and the device.
func (d *desk) lines() string {
	d.t.Helper()
	read, err := replay.Read(d.t.Context(), d.store, site)
	if err != nil {
		d.t.Fatal(err)
	}
	var out []string
	for _, e := range read.Entries {
		if e.Kind == logbook.Admitted {
			out = append(out, "in by "+e.Via)
		} else {
			out = append(out, e.Text)
		}
	}
	return strings.Join(out, ", ")
}

func item(at int64, entries ...string) accept.Item {
	return accept.Item{Site: site, Document: "log/2026-02", Device: device, Entries: entries, At: at}
}

// The months of two entries, and of the words of how they came in, are different ones.
func TestIn(t *testing.T) {
	d := newDesk(t)
	accepted := begun + 40*24*time.Hour.Milliseconds()
	it := item(accepted, note(t, 1, "one"), note(t, 120_000, "two"))
	for i, want := range []int{2, 2, 2} { // it is let in once, however often it is asked
		n, err := d.log.In(t.Context(), it)
		if err != nil || n != want {
			t.Fatalf("try %d: %d, %v", i, n, err)
		}
	}
	if got := d.lines(); got != "one, two, in by "+device+", in by "+device {
		t.Errorf("the log: %s", got)
	}
	docs, err := d.store.Documents(t.Context(), site)
	if err != nil || len(docs) != 3 || docs[2].Name != "log/2026-04" {
		t.Errorf("documents: %v, %v", docs, err)
	}
}

// An entry of a clock that was ahead gets a word that is later than it all the same.
func TestInAhead(t *testing.T) {
	d := newDesk(t)
	if _, err := d.log.In(t.Context(), item(begun-1000, note(t, 5, "ahead"))); err != nil {
		t.Fatal(err)
	}
	if got := d.lines(); got != "ahead, in by "+device {
		t.Errorf("the log: %s", got)
	}
}

// The server ends before each of its writes in turn; asked again, it finishes what it began.
func TestInAfterADeath(t *testing.T) {
	died := errors.New("the server ends")
	for n, want := range []string{"", "one, two"} {
		d := newDesk(t)
		it := item(begun+1000, note(t, 1, "one"), note(t, 2, "two"))
		left := n
		dying := accept.Log{Load: d.log.Load, Write: func(ctx context.Context, site string, entries [][]byte) error {
			if left == 0 {
				return died
			}
			left--
			return d.log.Write(ctx, site, entries)
		}}
		if _, err := dying.In(t.Context(), it); !errors.Is(err, died) {
			t.Fatalf("death before write %d: %v", n, err)
		}
		if got := d.lines(); got != want {
			t.Errorf("after the death before write %d: %q, want %q", n, got, want)
		}
		if _, err := d.log.In(t.Context(), it); err != nil {
			t.Fatal(err)
		}
		if got := d.lines(); got != "one, two, in by "+device+", in by "+device {
			t.Errorf("finished after the death before write %d: %s", n, got)
		}
	}
}

func wantCannot(t *testing.T, what string, err error) {
	t.Helper()
	var c *accept.Cannot
	if !errors.As(err, &c) || !strings.HasSuffix(c.Sentence, ".") || strings.Contains(c.Sentence, ". ") {
		t.Errorf("%s: %v, want one sentence of why it cannot be", what, err)
	}
}

func TestTaken(t *testing.T) {
	d := newDesk(t)
	if err := d.log.Write(t.Context(), site, [][]byte{[]byte(note(t, 1, "there"))}); err != nil {
		t.Fatal(err)
	}
	_, err := d.log.In(t.Context(), item(begun+1000, note(t, 2, "free"), note(t, 1, "another")))
	wantCannot(t, "an id that is taken", err)
	if got := d.lines(); got != "there" {
		t.Errorf("the log: %s", got)
	}
}

// A phone is quicker, between the look and the write: nothing says that the other entry was let in.
func TestTakenMeanwhile(t *testing.T) {
	d := newDesk(t)
	quick := accept.Log{Load: d.log.Load, Write: func(ctx context.Context, site string, entries [][]byte) error {
		return errors.Join(d.log.Write(ctx, site, [][]byte{[]byte(note(t, 1, "the quicker one"))}), d.log.Write(ctx, site, entries))
	}}
	_, err := quick.In(t.Context(), item(begun+1000, note(t, 1, "the slower one")))
	wantCannot(t, "an id that is taken meanwhile", err)
	if got := d.lines(); got != "the quicker one" {
		t.Errorf("the log: %s", got)
	}
}
