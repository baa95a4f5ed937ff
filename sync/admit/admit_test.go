package admit

import (
	"strings"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
)

const (
	mine   = "d000000001"
	theirs = "d000000002"
	me     = "p000000001"
	doc    = "log/2026-11"
	at     = int64(1794312000000) // 2026-11-10T12:00Z
)

// facts is what a test knows.
type facts struct {
	actors  map[change.Actor]string
	authors map[string]Author
	entries map[logbook.EntryID]string
	seq     uint64
	last    change.Hash
	maxOp   uint64
	unbound bool // the change before is no ancestor
}

func (f facts) MaxOp([]change.Hash) uint64              { return f.maxOp }
func (f facts) Last(change.Actor) (uint64, change.Hash) { return f.seq, f.last }
func (f facts) Reaches([]change.Hash, change.Hash) bool { return !f.unbound }
func (f facts) ActorDevice(a change.Actor) string       { return f.actors[a] }
func (f facts) Author(d string) (Author, bool)          { a, ok := f.authors[d]; return a, ok }
func (f facts) Entry(id logbook.EntryID) (person string, ok bool) {
	p, ok := f.entries[id]
	return p, ok
}
func (f facts) Plan() *Plan { return NewPlan() }

func id(ms int64, n byte) logbook.EntryID { return logbook.NewEntryID(ms, [10]byte{n}) }

func reading(t *testing.T, more ...func(*logbook.Entry)) *Reading {
	t.Helper()
	e := logbook.Entry{ID: id(at, 9), Kind: logbook.Tick, At: at, By: me, Dev: mine, Check: "lens"}
	for _, f := range more {
		f(&e)
	}
	raw, err := e.Encode()
	if err != nil {
		t.Fatal(err)
	}
	c, err := change.NewLogChange("an actor", 1, 1, nil, 0, string(e.ID), string(raw))
	if err != nil {
		t.Fatal(err)
	}
	r, v := Read(doc, c)
	if v != nil {
		t.Fatal(v.Reason)
	}
	return r
}

func crew(from, until int64) Author {
	return Author{Device: mine, People: []Person{{ID: me, Role: "crew", From: from, Until: until}}}
}

func TestGrants(t *testing.T) {
	for name, c := range map[string]struct {
		from, until int64
		role        Role
		code        string
	}{
		"open":              {at - 1, 0, "crew", ""},
		"from this instant": {at, 0, "crew", ""},
		"from the next":     {at + 1, 0, "crew", CodeBy},
		"to the next":       {at - 9, at + 1, "crew", ""},
		"to this instant":   {at - 9, at, "crew", CodeBy},
		"technician":        {at - 1, 0, "technician", CodeRights},
		"viewer":            {at - 1, 0, "viewer", CodeRights},
		"no such role":      {at - 1, 0, "king", CodeRights},
		"the server's role": {at - 1, 0, "server", ""}, // never granted; the table decides
	} {
		a := crew(c.from, c.until)
		a.People[0].Role = c.role
		r := reading(t)
		v := r.Judge(Sender{Author: a, Now: at + 1000}, facts{})
		if v.Code != c.code || (c.code == "") != (v.Outcome == Admitted) {
			t.Errorf("%s: %s %s", name, v.Outcome, v.Code)
		}
		if r.Covered(a, at) != (c.code == "") {
			t.Errorf("%s: covered %v", name, r.Covered(a, at))
		}
	}
	// Of two grants one is enough.
	a := crew(at-9, at-8)
	a.People = append(a.People, Person{ID: me, Role: "manager", From: at - 5})
	if v := reading(t).Judge(Sender{Author: a}, facts{}); v.Outcome != Admitted {
		t.Errorf("%+v", v)
	}
}

func TestForeign(t *testing.T) {
	author := crew(at-9, 0)
	known := facts{authors: map[string]Author{mine: author}}
	gone := author
	gone.Revoked = at
	other := Author{Device: theirs}
	box := Author{Device: theirs, Relay: true}
	for name, c := range map[string]struct {
		from Sender
		know facts
		want Outcome
		code string
		how  string
	}{
		"another phone":            {Sender{Author: other}, known, Held, CodeDev, ""},
		"a relay":                  {Sender{Author: box}, known, Admitted, "", Relayed},
		"the window":               {Sender{Author: other, Restore: true}, known, Admitted, "", Restored},
		"a relay in the window":    {Sender{Author: box, Restore: true}, known, Admitted, "", Relayed},
		"a relay, unknown device":  {Sender{Author: box}, facts{}, Held, CodeDev, ""},
		"window, unknown device":   {Sender{Author: other, Restore: true}, facts{}, Admitted, "", Restored},
		"window, unknown person":   {Sender{Author: other, Restore: true}, facts{authors: map[string]Author{mine: {Device: mine}}}, Admitted, "", Restored},
		"window, grant ended":      {Sender{Author: other, Restore: true}, facts{authors: map[string]Author{mine: crew(1, 2)}}, Held, CodeBy, ""},
		"a relay, unknown person":  {Sender{Author: box}, facts{authors: map[string]Author{mine: {Device: mine}}}, Held, CodeBy, ""},
		"a relay, author revoked":  {Sender{Author: box}, facts{authors: map[string]Author{mine: gone}}, Held, CodeDev, ""},
		"actor of another device":  {Sender{Author: other}, facts{actors: map[change.Actor]string{"an actor": theirs}}, Refused, CodeActor, ""},
		"taken":                    {Sender{Author: box}, facts{entries: map[logbook.EntryID]string{id(at, 9): me}}, Refused, CodeTaken, ""},
		"number used":              {Sender{Author: author}, facts{seq: 1}, Refused, CodeSeq, ""},
		"number after a gap":       {Sender{Author: author}, facts{seq: 0, maxOp: 3}, Refused, CodeStartOp, ""},
		"author, known by binding": {Sender{Author: author}, facts{actors: map[change.Actor]string{"an actor": mine}}, Admitted, "", ""},
	} {
		v := reading(t).Judge(c.from, c.know)
		if v.Outcome != c.want || v.Code != c.code || v.How != c.how {
			t.Errorf("%s: %s %q %q, want %s %q %q", name, v.Outcome, v.Code, v.How, c.want, c.code, c.how)
		}
		if v.Outcome != Admitted && (v.Reason == "" || strings.Contains(v.Reason, "\n")) {
			t.Errorf("%s: reason %q", name, v.Reason)
		}
	}
}

func TestVoids(t *testing.T) {
	early, far := id(at-10, 1), id(at-40*24*3600_000, 1)
	void := func(of logbook.EntryID) func(*logbook.Entry) {
		return func(e *logbook.Entry) { e.Kind, e.Of, e.Check = logbook.Void, of, "" }
	}
	for name, c := range map[string]struct {
		of   logbook.EntryID
		by   string // of the target; "" = not here
		role Role
		want Outcome
		code string
	}{
		"own":                          {early, me, "crew", Admitted, ""},
		"another's":                    {early, "p000000002", "crew", Refused, CodeRights},
		"another's, by a manager":      {early, "p000000002", "manager", Admitted, ""},
		"unknown":                      {early, "", "crew", Refused, CodeUnknownEntry},
		"unknown, of another month":    {far, "", "crew", Held, CodeUnknownEntry},
		"unknown, by a manager":        {early, "", "manager", Admitted, ""},
		"the server's, by a crew":      {early, logbook.Server, "crew", Refused, CodeRights},
		"own of another month":         {far, me, "contractor", Admitted, ""},
		"another's, by the contractor": {far, "p000000002", "contractor", Refused, CodeRights},
	} {
		know := facts{entries: map[logbook.EntryID]string{}}
		if c.by != "" {
			know.entries[c.of] = c.by
		}
		a := crew(at-9, 0)
		a.People[0].Role = c.role
		r := reading(t, void(c.of))
		if got := r.Targets(); len(got) != 1 || got[0] != c.of {
			t.Errorf("%s: targets %v", name, got)
		}
		if v := r.Judge(Sender{Author: a}, know); v.Outcome != c.want || v.Code != c.code {
			t.Errorf("%s: %s %q, want %s %q", name, v.Outcome, v.Code, c.want, c.code)
		}
	}
}
