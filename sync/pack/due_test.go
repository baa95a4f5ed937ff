package pack_test

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"gatewright/sync/pack"
)

func TestDue(t *testing.T) {
	for _, c := range []struct {
		doc, now string
		want     bool
	}{
		{"log/2026-10", "2026-11-14T23:59:59Z", false},
		{"log/2026-10", "2026-11-15T00:00:00Z", true},
		{"log/2026-10", "2026-11-15T00:30:00+01:00", false},
		{"log/2026-12", "2027-01-14T23:59:59Z", false},
		{"log/2026-12", "2027-01-15T00:00:00Z", true},
		{"log/2028-02", "2028-03-14T00:00:00Z", false},
		{"log/2028-02", "2028-03-15T00:00:00Z", true},
		{"plan", "2099-01-01T00:00:00Z", false},
		{"log/", "2099-01-01T00:00:00Z", false},
		{"2026-10", "2099-01-01T00:00:00Z", false},
	} {
		now, err := time.Parse(time.RFC3339, c.now)
		if err != nil {
			t.Fatal(err)
		}
		if got := pack.Due(c.doc, now); got != c.want {
			t.Errorf("%s at %s: due is %v, want %v", c.doc, c.now, got, c.want)
		}
	}
}

// shelf is documents and how packing each goes.
type shelf struct {
	list []pack.Document
	bad  string
	done []string
}

func (s *shelf) Unpacked(context.Context) ([]pack.Document, error) { return s.list, nil }

func (s *shelf) Pack(_ context.Context, site, doc string, _ int64) (bool, error) {
	if doc == s.bad {
		return false, errors.New("damaged")
	}
	s.done = append(s.done, site+" "+doc)
	return true, nil
}

func TestPass(t *testing.T) {
	now := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	s := &shelf{bad: "log/2026-08", list: []pack.Document{
		{"a", "plan"}, {"a", "log/2026-08"}, {"a", "log/2026-09"}, {"b", "log/2026-11"}, {"b", "log/2026-10"}, {"c", "log/2026-10"},
	}}
	n, err := pack.Pass(t.Context(), s, now, 2)
	if want := []string{"a log/2026-09", "b log/2026-10"}; n != 2 || err == nil || !slices.Equal(s.done, want) {
		t.Errorf("packed %d: %v, %v; want %v and what is damaged", n, s.done, err, want)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if n, err := pack.Pass(ended, s, now, 9); n != 0 || err != nil {
		t.Errorf("after the end: %d, %v", n, err)
	}
}
