package accounts_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/api/accounts"
	"gatewright/api/problem"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// house is the accounts on a database of their own, with a clock that the test sets.
type house struct {
	*accounts.Accounts
	db   store
	path string
	now  time.Time
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{path: engine.Fresh(t), now: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)}
	h.open(t)
	return h
}

func (h *house) open(t *testing.T) {
	t.Helper()
	db, err := engine.Open(t, h.path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	h.db, h.Accounts = db, accounts.New(db, func() time.Time { return h.now })
}

func (h *house) reopen(t *testing.T) {
	t.Helper()
	if err := h.db.Close(); err != nil {
		t.Fatal(err)
	}
	h.open(t)
}

func (h *house) ms() int64 { return h.now.UnixMilli() }

func (h *house) site(t *testing.T, slug string) accounts.Site {
	t.Helper()
	s, err := h.CreateSite(t.Context(), slug, "Sallow Brook", "Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func (h *house) invite(t *testing.T, inv accounts.Invitation) string {
	t.Helper()
	if inv.Role == "" {
		inv.Role = rights.Crew
	}
	if inv.Expires == 0 {
		inv.Expires = h.now.Add(accounts.InviteLife).UnixMilli()
	}
	made, err := h.Invite(t.Context(), inv, "console")
	if err != nil {
		t.Fatal(err)
	}
	return made.Code
}

func (h *house) join(t *testing.T, code, name, device string) accounts.Joined {
	t.Helper()
	j, err := h.Join(t.Context(), code, name, device, phone)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

var phone = accounts.NewDevice{PublicKey: []byte(strings.Repeat("k", 32)), Label: "kitchen phone"}

// rows counts what every table holds: equal counts before and after say that nothing was stored.
func (h *house) rows(t *testing.T) string {
	t.Helper()
	var out strings.Builder
	for _, table := range []string{"sites", "people", "grants", "devices", "device_people", "invitations", "challenges", "tickets", "quarantine"} {
		var n int
		if err := h.db.Reader().QueryRowContext(t.Context(), `SELECT COUNT(*) FROM `+table).Scan(&n); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&out, "%s %d\n", table, n)
	}
	return out.String()
}

// wantProblem checks the kind and the field of a public error, and that it is one sentence.
func wantProblem(t *testing.T, what string, err error, kind problem.Kind, field string) {
	t.Helper()
	var p *problem.Error
	if !errors.As(err, &p) {
		t.Errorf("%s: %v, want a public error", what, err)
		return
	}
	if p.Kind != kind || p.Field != field {
		t.Errorf("%s: %s of field %q, want %s of %q (%s)", what, p.Kind, p.Field, kind, field, p.Sentence)
	}
	if !strings.HasSuffix(p.Sentence, ".") || strings.Contains(p.Sentence, "\n") {
		t.Errorf("%s: %q is not a sentence", what, p.Sentence)
	}
}

func TestCreateSite(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	for name, find := range map[string]func() (accounts.Site, error){
		"by id":   func() (accounts.Site, error) { return h.Site(t.Context(), s.ID) },
		"by slug": func() (accounts.Site, error) { return h.SiteBySlug(t.Context(), "brook") },
	} {
		if got, err := find(); err != nil || got != s {
			t.Errorf("%s: %+v, %v; want %+v", name, got, err, s)
		}
	}
	before := h.rows(t)
	for _, c := range []struct {
		what, slug, name, zone string
		kind                   problem.Kind
		field                  string
	}{
		{"no slug", "", "N", "Europe/Dublin", problem.Invalid, "slug"},
		{"capitals", "Brook", "N", "Europe/Dublin", problem.Invalid, "slug"},
		{"dash at the end", "brook-", "N", "Europe/Dublin", problem.Invalid, "slug"},
		{"41 letters", strings.Repeat("a", 41), "N", "Europe/Dublin", problem.Invalid, "slug"},
		{"line break behind it", "brook2\n", "N", "Europe/Dublin", problem.Invalid, "slug"},
		{"no name", "b", " \t", "Europe/Dublin", problem.Invalid, "name"},
		{"a long name", "b", strings.Repeat("ä", 61), "Europe/Dublin", problem.Invalid, "name"},
		{"a control character", "b", "a\x00b", "Europe/Dublin", problem.Invalid, "name"},
		{"not UTF-8", "b", "a\xffb", "Europe/Dublin", problem.Invalid, "name"},
		{"no zone", "b", "N", "", problem.Invalid, "zone"},
		{"the machine's zone", "b", "N", "Local", problem.Invalid, "zone"},
		{"an unknown zone", "b", "N", "Europe/Nowhere", problem.Invalid, "zone"},
		{"a path", "b", "N", "../etc/passwd", problem.Invalid, "zone"},
		{"a folder of zones", "b", "N", "Europe", problem.Invalid, "zone"},
		{"the same slug", "brook", "N", "Europe/Dublin", problem.Conflict, "slug"},
	} {
		_, err := h.CreateSite(t.Context(), c.slug, c.name, c.zone)
		wantProblem(t, c.what, err, c.kind, c.field)
	}
	if after := h.rows(t); after != before {
		t.Errorf("refused sites left something:\n%s, want\n%s", after, before)
	}
	_, err := h.Site(t.Context(), "no-such")
	wantProblem(t, "unknown site", err, problem.NotFound, "site")
	if got, err := h.Sites(t.Context()); err != nil || len(got) != 1 {
		t.Errorf("sites: %v, %v; want one", got, err)
	}
}

func TestInvitationIsSpentOnce(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	code := h.invite(t, accounts.Invitation{Site: s.ID, Role: rights.Contractor})
	if len(code) != 20 {
		t.Fatalf("the code is %q, want 20 characters", code)
	}
	for range 2 { // looking spends nothing
		inv, err := h.Look(t.Context(), code)
		if err != nil || inv.Site != s.ID || inv.Role != rights.Contractor || inv.Name != "" {
			t.Fatalf("look: %+v, %v", inv, err)
		}
	}
	j := h.join(t, code, "  Jon Brandt ", "")
	if j.Site != s || j.Person.Name != "Jon Brandt" || j.Person.Role != rights.Contractor || j.Person.From != h.ms() {
		t.Errorf("joined: %+v", j)
	}
	d, err := h.Device(t.Context(), j.Device)
	if err != nil || d.Site != s.ID || d.Label != "kitchen phone" || string(d.PublicKey) != string(phone.PublicKey) {
		t.Errorf("device: %+v, %v", d, err)
	}
	before := h.rows(t)
	_, err = h.Join(t.Context(), code, "Somebody", "", phone)
	wantProblem(t, "join again", err, problem.Gone, "code")
	_, err = h.Look(t.Context(), code)
	wantProblem(t, "look again", err, problem.Gone, "code")
	if after := h.rows(t); after != before {
		t.Errorf("a spent code left something:\n%s, want\n%s", after, before)
	}
}

func TestInvitationRunsOut(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	code := h.invite(t, accounts.Invitation{Site: s.ID})
	h.now = h.now.Add(accounts.InviteLife - time.Millisecond)
	if _, err := h.Look(t.Context(), code); err != nil {
		t.Errorf("a millisecond before its end: %v", err)
	}
	h.now = h.now.Add(time.Millisecond)
	_, err := h.Look(t.Context(), code)
	wantProblem(t, "look", err, problem.Gone, "code")
	_, err = h.Join(t.Context(), code, "Dan", "", phone)
	wantProblem(t, "join", err, problem.Gone, "code")
}

// What hands and eyes make of a code opens it all the same; what can't be one is said without asking the database.
func TestCodesAsTheyAreTyped(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	// A code with a 0 and a 1 in it, so that O, I and L stand for something.
	var code string
	for range 1000 {
		if code = h.invite(t, accounts.Invitation{Site: s.ID}); strings.Contains(code, "0") && strings.Contains(code, "1") {
			break
		}
	}
	for what, typed := range map[string]string{
		"lower case":      strings.ToLower(code),
		"O for 0":         strings.ReplaceAll(code, "0", "O"),
		"small o for 0":   strings.ReplaceAll(strings.ToLower(code), "0", "o"),
		"I for 1":         strings.ReplaceAll(code, "1", "I"),
		"small l for 1":   strings.ReplaceAll(code, "1", "l"),
		"groups of five":  code[:5] + "-" + code[5:10] + "-" + code[10:15] + "-" + code[15:],
		"spaces about it": "  " + code[:10] + " " + code[10:] + " ",
	} {
		if _, err := h.Look(t.Context(), typed); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
	for what, typed := range map[string]string{
		"empty": "", "one short": code[:19], "one long": code + "A", "a U": "U" + code[1:], "a letter abroad": "ä" + code[2:],
	} {
		_, err := h.Look(t.Context(), typed)
		wantProblem(t, what, err, problem.Invalid, "code")
	}
	_, err := h.Look(t.Context(), strings.Repeat("Z", 20))
	wantProblem(t, "unknown", err, problem.NotFound, "code")
}

func TestJoinOnAnEnrolledDevice(t *testing.T) {
	h := newHouse(t)
	s, other := h.site(t, "brook"), h.site(t, "hill")
	first := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Dan", "")
	second := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID, Role: rights.Manager}), "Maeve", first.Device)
	if second.Device != first.Device {
		t.Errorf("the second person came to device %s, want %s", second.Device, first.Device)
	}
	on, err := h.PeopleOn(t.Context(), s.ID, first.Device)
	if err != nil || len(on) != 2 || !reflect.DeepEqual(on[0], first.Person) || !reflect.DeepEqual(on[1], second.Person) {
		t.Errorf("people on the device: %+v, %v", on, err)
	}

	// A further phone of somebody known: the name that was typed counts for nothing.
	third := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID, Person: first.Person.ID}), "Imposter", "")
	if !reflect.DeepEqual(third.Person, first.Person) || third.Device == first.Device {
		t.Errorf("a further phone: %+v", third)
	}
	fixed := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID, Name: "Irena"}), "Imposter", "")
	if fixed.Person.Name != "Irena" {
		t.Errorf("the invitation fixed the name, and it is %q", fixed.Person.Name)
	}

	abroad := h.join(t, h.invite(t, accounts.Invitation{Site: other.ID}), "Petru", "")
	code := h.invite(t, accounts.Invitation{Site: s.ID})
	before := h.rows(t)
	_, err = h.Join(t.Context(), code, "Petru", abroad.Device, accounts.NewDevice{})
	wantProblem(t, "another site's device", err, problem.Conflict, "code")
	_, err = h.Join(t.Context(), code, "Petru", "d00000000", accounts.NewDevice{})
	wantProblem(t, "a device that nobody knows", err, problem.Conflict, "code")
	_, err = h.Join(t.Context(), code, "", "", phone)
	wantProblem(t, "no name", err, problem.Invalid, "name")
	_, err = h.Join(t.Context(), code, "Petru", "", accounts.NewDevice{PublicKey: []byte("short")})
	wantProblem(t, "a short key", err, problem.Invalid, "device.public_key")
	_, err = h.Join(t.Context(), code, "Petru", "", accounts.NewDevice{PublicKey: phone.PublicKey, Label: "a\x07b"})
	wantProblem(t, "a bell in the label", err, problem.Invalid, "device.label")
	if err := h.Revoke(t.Context(), s.ID, first.Device); err != nil {
		t.Fatal(err)
	}
	_, err = h.Join(t.Context(), code, "Petru", first.Device, accounts.NewDevice{})
	wantProblem(t, "a revoked device", err, problem.Forbidden, "device")
	if after := h.rows(t); after != before {
		t.Errorf("refused joins left something:\n%s, want\n%s", after, before)
	}
	if _, err := h.Look(t.Context(), code); err != nil {
		t.Errorf("a refused join spent the code: %v", err)
	}
}

func TestInviteRefuses(t *testing.T) {
	h := newHouse(t)
	s, other := h.site(t, "brook"), h.site(t, "hill")
	p, err := h.AddPerson(t.Context(), other.ID, "Petru", accounts.Grant{Role: rights.Crew, From: h.ms()})
	if err != nil {
		t.Fatal(err)
	}
	before := h.rows(t)
	for _, c := range []struct {
		what  string
		inv   accounts.Invitation
		kind  problem.Kind
		field string
	}{
		{"no role", accounts.Invitation{Site: s.ID}, problem.Invalid, "role"},
		{"the server's role", accounts.Invitation{Site: s.ID, Role: "server"}, problem.Invalid, "role"},
		{"a long name", accounts.Invitation{Site: s.ID, Role: rights.Crew, Name: strings.Repeat("x", 61)}, problem.Invalid, "name"},
		{"another site's person", accounts.Invitation{Site: s.ID, Role: rights.Crew, Person: p.ID}, problem.NotFound, "person"},
		{"an unknown person", accounts.Invitation{Site: s.ID, Role: rights.Crew, Person: "p00000000"}, problem.NotFound, "person"},
	} {
		_, err := h.Invite(t.Context(), c.inv, "console")
		wantProblem(t, c.what, err, c.kind, c.field)
	}
	if after := h.rows(t); after != before {
		t.Errorf("refused invitations left something:\n%s, want\n%s", after, before)
	}
}

func TestEndPerson(t *testing.T) {
	h := newHouse(t)
	s, other := h.site(t, "brook"), h.site(t, "hill")
	j := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Dan", "")
	again := h.invite(t, accounts.Invitation{Site: s.ID, Person: j.Person.ID})
	wantProblem(t, "at another site", h.EndPerson(t.Context(), other.ID, j.Person.ID, h.ms()), problem.NotFound, "person")
	h.now = h.now.Add(time.Hour)
	if err := h.EndPerson(t.Context(), s.ID, j.Person.ID, h.ms()); err != nil {
		t.Fatal(err)
	}
	people, err := h.People(t.Context(), s.ID)
	if err != nil || len(people) != 1 || people[0].Until != h.ms() {
		t.Errorf("people: %+v, %v; want Dan until %d", people, err, h.ms())
	}
	wantProblem(t, "again", h.EndPerson(t.Context(), s.ID, j.Person.ID, h.ms()), problem.NotFound, "person")
	_, err = h.Join(t.Context(), again, "", "", phone)
	wantProblem(t, "an invitation for somebody who has gone", err, problem.NotFound, "person")
}

func TestChallenge(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	a := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Dan", "").Device
	b := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Irena", "").Device
	draw := func() string {
		t.Helper()
		c, expires, err := h.Challenge(t.Context(), a)
		if err != nil || expires != h.now.Add(accounts.ChallengeLife).UnixMilli() {
			t.Fatalf("challenge: expires %d, %v", expires, err)
		}
		return c
	}
	c := draw()
	wantProblem(t, "another device", h.SpendChallenge(t.Context(), b, c), problem.Unauthenticated, "challenge")
	if err := h.SpendChallenge(t.Context(), a, c); err != nil {
		t.Errorf("its own device, after another one tried: %v", err)
	}
	wantProblem(t, "again", h.SpendChallenge(t.Context(), a, c), problem.Unauthenticated, "challenge")
	wantProblem(t, "made up", h.SpendChallenge(t.Context(), a, "x"), problem.Unauthenticated, "challenge")
	late := draw()
	h.now = h.now.Add(accounts.ChallengeLife)
	wantProblem(t, "out of time", h.SpendChallenge(t.Context(), a, late), problem.Unauthenticated, "challenge")
}

func TestTicket(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	d := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Dan", "").Device
	draw := func(k accounts.Ticket) string {
		t.Helper()
		k.Site, k.Device, k.Expires = s.ID, d, h.now.Add(accounts.TicketLife).UnixMilli()
		secret, err := h.NewTicket(t.Context(), k)
		if err != nil {
			t.Fatal(err)
		}
		return secret
	}
	refused := func(what, secret string) {
		t.Helper()
		_, err := h.UseTicket(t.Context(), secret)
		wantProblem(t, what, err, problem.Unauthenticated, "ticket")
	}
	once := draw(accounts.Ticket{})
	if k, err := h.UseTicket(t.Context(), once); err != nil || k.Site != s.ID || k.Device != d || k.Reusable {
		t.Errorf("ticket: %+v, %v", k, err)
	}
	refused("used", once)
	refused("empty", "")
	refused("unknown", "nothing")

	many := draw(accounts.Ticket{Reusable: true})
	for i, sender := range []string{"", "peer-1"} {
		k, err := h.UseTicket(t.Context(), many)
		if err != nil || !k.Reusable || k.Sender != sender {
			t.Errorf("use %d of a reusable ticket: %+v, %v; want sender %q", i+1, k, err, sender)
		}
		if err := h.BindTicket(t.Context(), many, "peer-1"); err != nil {
			t.Errorf("binding to the first sender, time %d: %v", i+1, err)
		}
	}
	wantProblem(t, "another sender", h.BindTicket(t.Context(), many, "peer-2"), problem.Unauthenticated, "senderId")

	late := draw(accounts.Ticket{})
	h.now = h.now.Add(accounts.TicketLife)
	refused("out of time", late)
	refused("reusable, out of time", many)
}

func TestRevoke(t *testing.T) {
	h := newHouse(t)
	s, other := h.site(t, "brook"), h.site(t, "hill")
	d := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Dan", "").Device
	wantProblem(t, "from another site", h.Revoke(t.Context(), other.ID, d), problem.NotFound, "device")
	if err := h.Revoke(t.Context(), s.ID, d); err != nil {
		t.Fatal(err)
	}
	got, err := h.Device(t.Context(), d)
	if err != nil || got.Revoked != h.ms() {
		t.Errorf("device: %+v, %v; want it revoked at %d", got, err, h.ms())
	}
	h.now = h.now.Add(time.Hour)
	wantProblem(t, "again", h.Revoke(t.Context(), s.ID, d), problem.NotFound, "device")
	if got, _ = h.Device(t.Context(), d); got.Revoked == h.ms() {
		t.Error("the second time moved the instant of the first")
	}
	author, ok, err := h.db.AuthorOf(t.Context(), s.ID, d)
	if err != nil || !ok || author.Revoked == 0 {
		t.Errorf("author: %+v, %v, %v; the store must know it too", author, ok, err)
	}
}

func TestServerKeysStay(t *testing.T) {
	h := newHouse(t)
	first, err := h.ServerKeys(t.Context())
	if err != nil || len(first) != 1 {
		t.Fatalf("keys: %d, %v; want one", len(first), err)
	}
	if err := h.SetSetting(t.Context(), "storage_id", "s1"); err != nil {
		t.Fatal(err)
	}
	h.reopen(t)
	again, err := h.ServerKeys(t.Context())
	if err != nil || len(again) != 1 || again[0].ID != first[0].ID || !again[0].Private.Equal(first[0].Private) {
		t.Errorf("after reopening: %v, %v; want the key %s", again, err, first[0].ID)
	}
	if v, err := h.Setting(t.Context(), "storage_id"); err != nil || v != "s1" {
		t.Errorf("setting: %q, %v", v, err)
	}
	if v, err := h.Setting(t.Context(), "never"); err != nil || v != "" {
		t.Errorf("a setting never set: %q, %v", v, err)
	}
}

func TestQuarantine(t *testing.T) {
	h := newHouse(t)
	s, other := h.site(t, "brook"), h.site(t, "hill")
	j := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Dan", "")
	for _, n := range []int{2, 2} { // the phone did not hear the first answer
		kept, err := h.KeepDrained(t.Context(), s.ID, j.Device, []string{`{"a":1}`, `{"b":2}`})
		if err != nil || kept != n {
			t.Fatalf("drained: %d, %v", kept, err)
		}
		h.now = h.now.Add(time.Second)
	}
	// q1 and q2 are one entry that a phone brought twice; q3 is of the plan.
	err := h.db.Quarantine(t.Context(), s.ID, []hub.Quarantined{
		{ID: "q1", Doc: "log/2026-03", Device: j.Device, Person: j.Person.ID, Code: "month", Reason: "id: the month is another.", Entries: []string{`{}`}, At: 1},
		{ID: "q2", Doc: "log/2026-03", Device: j.Device, Person: j.Person.ID, Code: "month", Reason: "id: the month is another.", Entries: []string{`{}`}, At: 2},
		{ID: "q3", Doc: "plan", Device: j.Device, Code: "rights", Reason: "gates.name: nobody may edit it", At: 3},
		{ID: "q4", Doc: "plan", Device: j.Device, Code: "rights", Reason: "gates.name: nobody may edit it", At: 4}})
	if err != nil {
		t.Fatal(err)
	}
	list := func(site string, most int) ([]string, bool) {
		t.Helper()
		items, more, err := h.Quarantine(t.Context(), site, most)
		if err != nil {
			t.Fatal(err)
		}
		ids := []string{}
		for _, i := range items {
			ids = append(ids, i.ID)
		}
		return ids, more
	}
	ids, more := list(s.ID, 100)
	if len(ids) != 5 || ids[0] != "q1" || ids[1] != "q3" || ids[2] != "q4" || more {
		t.Fatalf("quarantine: %v, %v; want q1, two edits of the plan, and what was drained", ids, more)
	}
	if ids, more = list(s.ID, 4); len(ids) != 3 || !more {
		t.Errorf("at most four: %v, %v", ids, more)
	}
	item, err := h.RefusedItem(t.Context(), s.ID, "q1")
	want := accounts.Refused{ID: "q1", Document: "log/2026-03", Device: j.Device, Label: item.Label, Person: j.Person.ID, Code: "month",
		Reason: "id: the month is another.", Entries: []string{`{}`}, At: 1}
	if err != nil || !reflect.DeepEqual(item, want) || item.Label == "" {
		t.Errorf("item: %+v, %v; want %+v", item, err, want)
	}

	// Another site sees and decides nothing of it.
	if got, _ := list(other.ID, 100); len(got) != 0 {
		t.Errorf("another site sees %v", got)
	}
	_, err = h.RefusedItem(t.Context(), other.ID, "q1")
	wantProblem(t, "an item from another site", err, problem.NotFound, "id")
	_, err = h.Claim(t.Context(), other.ID, "q1", "p1")
	wantProblem(t, "another site's claim", err, problem.NotFound, "id")
	_, err = h.Discard(t.Context(), other.ID, "q1", "p1", "no")
	wantProblem(t, "another site's discard", err, problem.NotFound, "id")
	if err := h.Unclaim(t.Context(), other.ID, "q1"); err != nil {
		t.Error(err)
	}

	// The first decision stands, and takes with it the same entry of the same device.
	done, err := h.Discard(t.Context(), s.ID, "q1", j.Person.ID, "not ours")
	if err != nil || done.Decision != accounts.Discard || done.By != j.Person.ID || done.Why != "not ours" || done.Decided != h.now.UnixMilli() {
		t.Fatalf("discarded: %+v, %v", done, err)
	}
	if ids, _ = list(s.ID, 100); slices.Contains(ids, "q1") || slices.Contains(ids, "q2") || len(ids) != 4 {
		t.Errorf("after the decision there wait %v", ids)
	}
	h.now = h.now.Add(time.Minute)
	again, err := h.Discard(t.Context(), s.ID, "q2", "p2", "another reason")
	if err != nil || again.Why != "not ours" || again.By != j.Person.ID || again.Decided != done.Decided {
		t.Errorf("discarded again: %+v, %v", again, err)
	}
	_, err = h.Claim(t.Context(), s.ID, "q1", "p2")
	wantProblem(t, "accepting what was discarded", err, problem.Conflict, "decision")

	// An acceptance is claimed first: from then on nobody discards, and everybody goes on with the same instant.
	claimed, err := h.Claim(t.Context(), s.ID, "q3", "p1")
	if err != nil || claimed.Claimed != h.now.UnixMilli() || claimed.Decided != 0 || claimed.By != "p1" {
		t.Fatalf("claimed: %+v, %v", claimed, err)
	}
	h.now = h.now.Add(time.Minute)
	second, err := h.Claim(t.Context(), s.ID, "q3", "p2")
	if err != nil || !reflect.DeepEqual(second, claimed) {
		t.Errorf("the second to claim: %+v, %v; want %+v", second, err, claimed)
	}
	_, err = h.Discard(t.Context(), s.ID, "q3", "p2", "no")
	wantProblem(t, "discarding what is being accepted", err, problem.Conflict, "decision")
	if err := h.Unclaim(t.Context(), s.ID, "q3"); err != nil {
		t.Fatal(err)
	}
	_, err = h.Accepted(t.Context(), s.ID, "q3", "")
	wantProblem(t, "closing what nobody claims", err, problem.Conflict, "decision")
	if _, err = h.Claim(t.Context(), s.ID, "q3", "p2"); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		done, err = h.Accepted(t.Context(), s.ID, "q3", "seen")
		if err != nil || done.Decision != accounts.Accept || done.By != "p2" || done.Decided != h.now.UnixMilli() {
			t.Errorf("accepted: %+v, %v", done, err)
		}
	}
	_, err = h.Discard(t.Context(), s.ID, "q3", "p1", "no")
	wantProblem(t, "discarding what was accepted", err, problem.Conflict, "decision")
	if ids, _ = list(s.ID, 100); slices.Contains(ids, "q3") || !slices.Contains(ids, "q4") {
		t.Errorf("edits of the plan are one each, and there wait %v", ids)
	}

	decided, more, err := h.Decided(t.Context(), s.ID, 100)
	if err != nil || len(decided) != 3 || decided[0].ID != "q3" || more {
		t.Errorf("decided: %+v, %v, %v", decided, more, err)
	}
	if mine, err := h.DecidedFor(t.Context(), s.ID, "d00000000", 100); err != nil || len(mine) != 0 {
		t.Errorf("decided of another device: %+v, %v", mine, err)
	}
	if mine, err := h.DecidedFor(t.Context(), s.ID, j.Device, 2); err != nil || len(mine) != 2 {
		t.Errorf("two decided of the device: %+v, %v", mine, err)
	}
}

// What one device hands over is bounded, and what is over the bound leaves nothing.
func TestDrainedIsBounded(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	j := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Dan", "")
	other := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Irena", "")
	some := func(from, n int) (list []string) {
		for i := range n {
			list = append(list, fmt.Sprintf(`{"n":%d}`, from+i))
		}
		return list
	}
	if _, err := h.KeepDrained(t.Context(), s.ID, j.Device, some(0, accounts.DrainedItems)); err != nil {
		t.Fatal(err)
	}
	_, err := h.KeepDrained(t.Context(), s.ID, j.Device, some(accounts.DrainedItems, 2))
	wantProblem(t, "one too many", err, problem.TooLarge, "entries")
	if _, err := h.KeepDrained(t.Context(), s.ID, j.Device, some(0, 100)); err != nil {
		t.Errorf("what is kept already, once more: %v", err)
	}
	if _, err := h.KeepDrained(t.Context(), s.ID, other.Device, some(0, 1)); err != nil {
		t.Errorf("another device: %v", err)
	}
	items, more, err := h.Quarantine(t.Context(), s.ID, 2*accounts.DrainedItems)
	if err != nil || more || len(items) != accounts.DrainedItems+1 {
		t.Errorf("kept %d, %v, %v", len(items), more, err)
	}

	// 16 MiB of large entries are fewer than 5,000.
	long := func(i int) []string {
		return []string{fmt.Sprintf(`{"n":%d,"text":"%s"}`, i, strings.Repeat("x", 4<<20))}
	}
	for i := range 3 {
		if _, err := h.KeepDrained(t.Context(), s.ID, other.Device, long(i)); err != nil {
			t.Fatal(err)
		}
	}
	_, err = h.KeepDrained(t.Context(), s.ID, other.Device, long(3))
	wantProblem(t, "too large together", err, problem.TooLarge, "entries")
}

func TestRestoreWindow(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	until := h.now.Add(time.Hour).UnixMilli()
	for _, c := range []struct {
		what      string
		set, want int64
	}{{"open", until, until}, {"closed", 0, 0}, {"open again", until, until}} {
		if err := h.OpenRestoreWindow(t.Context(), s.ID, c.set); err != nil {
			t.Fatal(err)
		}
		if got, err := h.RestoreUntil(t.Context(), s.ID); err != nil || got != c.want {
			t.Errorf("%s: until %d, %v; want %d", c.what, got, err, c.want)
		}
	}
	h.now = h.now.Add(time.Hour)
	if got, err := h.RestoreUntil(t.Context(), s.ID); err != nil || got != 0 {
		t.Errorf("after its end: %d, %v; want 0", got, err)
	}
}

// No secret is stored as it is: what leaks from a copy of the database opens nothing.
func TestSecretsAreStoredAsDigests(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	code := h.invite(t, accounts.Invitation{Site: s.ID})
	d := h.join(t, h.invite(t, accounts.Invitation{Site: s.ID}), "Dan", "").Device
	challenge, _, err := h.Challenge(t.Context(), d)
	if err != nil {
		t.Fatal(err)
	}
	ticket, err := h.NewTicket(t.Context(), accounts.Ticket{Site: s.ID, Device: d, Expires: h.ms() + 1000})
	if err != nil {
		t.Fatal(err)
	}
	for query, secret := range map[string]string{
		`SELECT code_hash FROM invitations`: code, `SELECT nonce_hash FROM challenges`: challenge, `SELECT hash FROM tickets`: ticket,
	} {
		for _, kept := range column(t, h.db.Reader(), query) {
			if len(kept) != 32 {
				t.Errorf("%s: %d bytes, want the 32 of a SHA-256", query, len(kept))
			}
			if bytes.Contains(kept, []byte(secret)) || bytes.Contains([]byte(secret), kept) {
				t.Errorf("%s: the secret stands in the table", query)
			}
		}
	}
}

func column(t *testing.T, db *sql.DB, query string) [][]byte {
	t.Helper()
	rows, err := db.QueryContext(context.Background(), query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var out [][]byte
	for rows.Next() {
		var v []byte
		if err := rows.Scan(&v); err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	if len(out) == 0 {
		t.Fatalf("%s: nothing there", query)
	}
	return out
}
