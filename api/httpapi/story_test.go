package httpapi_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"gatewright/api/accounts"
	"gatewright/api/starter"
	"gatewright/schema/canon"
	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/schema/zones"
	"gatewright/sync/replay"
)

// plant gives a site its first plan.
func (y *yard) plant(site accounts.Site) {
	y.t.Helper()
	table, err := zones.Table(site.Zone)
	y.must(err)
	since := y.clock.Load()
	items, err := starter.Plan(starter.Site{ID: site.ID, Name: site.Name, Zone: site.Zone, Table: table, TableVersion: zones.Version(),
		Milkings: starter.UsualMilkings(), Since: since}, []starter.Gate{starter.UsualGate("a", "Sorting gate", since)})
	y.must(err)
	y.must(y.hub.WritePlan(y.t.Context(), site.ID, items))
}

// The whole story of a phone: look at an invitation, join, sign a challenge, ask for everything there is.
func TestEnrolment(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	y.plant(site)
	code := y.invitation(site.ID, rights.Crew)

	var look struct {
		Site    accounts.Site
		Role    string
		Name    string
		Expires int64
	}
	for range 2 {
		y.ok("POST", "/api/v1/invitations/look", "", object{"code": strings.ToLower(code)}, &look)
	}
	if look.Site.ID != site.ID || look.Site.Slug != "brook" || look.Role != "crew" || look.Expires != y.now().Add(accounts.InviteLife).UnixMilli() {
		t.Errorf("look: %+v", look)
	}

	h := y.enrol(site.ID, rights.Crew, "Dan Foley")
	if h.Site != site || h.Role != "crew" || h.Name != "Dan Foley" || !logbook.DeviceID(h.Device) || !logbook.PersonID(h.Person) {
		t.Errorf("joined: %+v", h)
	}
	spent := h.sign()
	y.ok("POST", "/api/v1/auth/token", "", spent, nil)
	y.wantRefused("the same signature again", y.ask("POST", "/api/v1/auth/token", "", spent), 401, "challenge")
	forged := h.sign()
	forged["signature"] = spent["signature"]
	y.wantRefused("a signature over another challenge", y.ask("POST", "/api/v1/auth/token", "", forged), 401, "challenge")
	late := h.sign()
	y.pass(accounts.ChallengeLife)
	y.wantRefused("a challenge that has run out", y.ask("POST", "/api/v1/auth/token", "", late), 401, "challenge")

	var me struct {
		Device string
		Site   accounts.Site
		People []accounts.Person
	}
	y.ok("GET", "/api/v1/me", h.token(), nil, &me)
	if me.Device != h.Device || me.Site != site || len(me.People) != 1 || me.People[0].Name != "Dan Foley" {
		t.Errorf("me: %+v", me)
	}

	// A second person on the same phone.
	y.ok("POST", "/api/v1/join", h.access, object{"code": code, "name": "Irena Kos"}, nil)
	y.ok("GET", "/api/v1/me", h.access, nil, &me)
	if len(me.People) != 2 || me.Device != h.Device {
		t.Errorf("me, after a second person joined: %+v", me)
	}
	y.wantRefused("the invitation again", y.ask("POST", "/api/v1/join", h.access, object{"code": code, "name": "Petru"}), 410, "code")

	var ticket struct {
		Ticket, Socket string
		Expires        int64
	}
	y.ok("POST", h.at("/tickets"), h.access, nil, &ticket)
	if ticket.Ticket == "" || ticket.Socket != "/sync/v1?ticket="+ticket.Ticket || ticket.Expires != y.now().Add(accounts.TicketLife).UnixMilli() {
		t.Errorf("ticket: %+v", ticket)
	}

	var docs struct {
		Documents []struct {
			Name, ID, URL string
			Heads         []string
		}
	}
	y.ok("GET", h.at("/documents"), h.access, nil, &docs)
	if len(docs.Documents) != 1 || docs.Documents[0].Name != "plan" || docs.Documents[0].URL != "automerge:"+docs.Documents[0].ID || len(docs.Documents[0].Heads) != 1 {
		t.Errorf("documents: %+v", docs)
	}

	var people struct{ People []accounts.Person }
	y.ok("GET", h.at("/people"), h.access, nil, &people)
	if len(people.People) != 2 || people.People[0].Name != "Dan Foley" || people.People[1].Name != "Irena Kos" {
		t.Errorf("people: %+v", people)
	}

	// The rules, by both ways to say when: the same bytes, in canonical form, and those of the engine.
	at := y.now().Add(36 * time.Hour)
	byText := y.ok("GET", h.at("/rules?at="+at.Format(time.RFC3339)), h.access, nil, nil)
	engine, err := replay.Rules(t.Context(), y.db, site.ID)
	y.must(err)
	if want := engine.Evaluate(at.UnixMilli()).AppendJSON(nil); !bytes.Equal(byText.body, want) {
		t.Errorf("rules by HTTP:\n%s\nwant\n%s", byText.body, want)
	}
	if form, err := canon.Canonical(byText.body); err != nil || !bytes.Equal(form, byText.body) {
		t.Errorf("the rules are not in canonical form: %v", err)
	}
	if got := byText.header.Get("Content-Type"); got != "application/json" {
		t.Errorf("rules have the type %q", got)
	}
	var rules struct {
		Basis struct{ Now int64 }
		Due   []struct{ Check, State string }
	}
	y.ok("GET", h.at("/rules"), h.access, nil, &rules)
	if rules.Basis.Now != y.clock.Load() || len(rules.Due) == 0 {
		t.Errorf("rules of now: basis %+v, %d due", rules.Basis, len(rules.Due))
	}

	y.pass(10*time.Minute + time.Second)
	y.wantRefused("a token that has run out", y.ask("GET", "/api/v1/me", h.access, nil), 401, "Authorization")
}

// managersOnly are the routes of managers with a body that is well-formed.
var managersOnly = []struct {
	method, path string
	body         any
}{
	{"POST", "/invitations", object{"role": "crew"}},
	{"POST", "/people/{person}/end", nil},
	{"GET", "/devices", nil},
	{"POST", "/devices/{device}/revoke", nil},
	{"GET", "/quarantine", nil},
	{"GET", "/quarantine?decided=true", nil},
	{"POST", "/quarantine/q1", object{"decision": "discard", "why": "no"}},
	{"POST", "/restore-window", object{"minutes": 5}},
	{"POST", "/people/{person}/erase", nil},
	{"GET", "/audit", nil},
}

func (h *handset) fill(path string) string {
	return strings.NewReplacer("{person}", h.Person, "{device}", h.Device).Replace(h.at(path))
}

func TestManagerRoutes(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	crew, manager := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve")
	others := []*handset{crew, y.enrol(site.ID, rights.Contractor, "Jon"), y.enrol(site.ID, rights.Technician, "Tess"), y.enrol(site.ID, rights.Viewer, "Vic")}
	before := y.rows()
	for _, r := range managersOnly {
		for _, h := range others {
			y.wantRefused(h.Role+" "+r.path, y.ask(r.method, crew.fill(r.path), h.access, r.body), 403, "role")
		}
		y.wantRefused("nobody "+r.path, y.ask(r.method, crew.fill(r.path), "", r.body), 401, "Authorization")
	}
	if after := y.rows(); after != before {
		t.Errorf("refused requests left something:\n%s, want\n%s", after, before)
	}

	var invited struct {
		Code, Link string
		Expires    int64
	}
	y.ok("POST", manager.at("/invitations"), manager.access, object{"role": "viewer", "name": "Vera"}, &invited)
	if invited.Link != "https://gates.example/join#"+invited.Code || len(invited.Code) != 20 {
		t.Errorf("invitation: %+v", invited)
	}
	var look struct{ Role, Name string }
	y.ok("POST", "/api/v1/invitations/look", "", object{"code": invited.Code}, &look)
	if look.Role != "viewer" || look.Name != "Vera" {
		t.Errorf("look: %+v", look)
	}

	var devices struct{ Devices []accounts.Device }
	y.ok("GET", manager.at("/devices"), manager.access, nil, &devices)
	if len(devices.Devices) != 5 {
		t.Errorf("%d devices, want 5", len(devices.Devices))
	}

	var window struct{ Until int64 }
	y.ok("POST", manager.at("/restore-window"), manager.access, object{"minutes": 5}, &window)
	if got, err := y.accounts.RestoreUntil(t.Context(), site.ID); err != nil || got != window.Until || got != y.now().Add(5*time.Minute).UnixMilli() {
		t.Errorf("restore window until %d, stored %d, %v", window.Until, got, err)
	}
	y.ok("POST", manager.at("/restore-window"), manager.access, object{"minutes": 0}, &window)
	if window.Until != 0 {
		t.Errorf("a closed window has the end %d", window.Until)
	}

	var ended struct {
		Person string
		Until  int64
	}
	y.ok("POST", crew.fill("/people/{person}/end"), manager.access, nil, &ended)
	if ended.Person != crew.Person || ended.Until != y.clock.Load() {
		t.Errorf("ended: %+v", ended)
	}

	// A manager whose own access has ended is none.
	y.must(y.accounts.EndPerson(t.Context(), site.ID, manager.Person, y.clock.Load()))
	y.wantRefused("a manager of yesterday", y.ask("GET", manager.at("/devices"), manager.access, nil), 403, "device")
}

// Whoever asks for another site's things must not learn whether they exist.
func TestSitesAreApart(t *testing.T) {
	y := newYard(t, nil)
	site, other := y.site("brook"), y.site("hill")
	manager, neighbour := y.enrol(site.ID, rights.Manager, "Maeve"), y.enrol(other.ID, rights.Crew, "Petru")
	before := y.rows()
	const nowhere = "00000000-0000-4000-8000-000000000000"
	same := func(what string, theirs, none answer) {
		t.Helper()
		y.wantRefused(what, theirs, 404, fieldOf(theirs))
		if theirs.status != none.status || !bytes.Equal(theirs.body, none.body) {
			t.Errorf("%s: %s, but what is nowhere answers %s", what, theirs, none)
		}
	}
	routes := append(managersOnly[:len(managersOnly):len(managersOnly)], []struct {
		method, path string
		body         any
	}{{"POST", "/tickets", nil}, {"GET", "/documents", nil}, {"GET", "/people", nil}, {"GET", "/decisions", nil}, {"GET", "/rules", nil}}...)
	for _, r := range routes {
		path := neighbour.fill(r.path)
		same("another site's "+r.path, y.ask(r.method, path, manager.access, r.body),
			y.ask(r.method, strings.Replace(path, other.ID, nowhere, 1), manager.access, r.body))
	}
	// At one's own site, with another site's person, device or item.
	y.ok("GET", manager.at("/quarantine"), manager.access, nil, nil)
	same("another site's person", y.ask("POST", manager.at("/people/"+neighbour.Person+"/end"), manager.access, nil),
		y.ask("POST", manager.at("/people/p00000000/end"), manager.access, nil))
	same("another site's device", y.ask("POST", manager.at("/devices/"+neighbour.Device+"/revoke"), manager.access, nil),
		y.ask("POST", manager.at("/devices/d00000000/revoke"), manager.access, nil))
	same("an invitation for another site's person", y.ask("POST", manager.at("/invitations"), manager.access, object{"role": "crew", "person": neighbour.Person}),
		y.ask("POST", manager.at("/invitations"), manager.access, object{"role": "crew", "person": "p00000000"}))
	if after := y.rows(); after != before {
		t.Errorf("refused requests left something:\n%s, want\n%s", after, before)
	}
}

func fieldOf(a answer) string {
	var p refusal
	_ = json.Unmarshal(a.body, &p)
	return p.Field
}

// A phone that was lost hands over what it still holds, and nothing else; a manager lets the entry in.
func TestRevokedPhoneDrains(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	y.plant(site)
	crew, manager := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve")
	raw, err := logbook.Entry{ID: logbook.NewEntryID(y.clock.Load(), [10]byte{1}), Kind: logbook.Note, At: y.clock.Load(),
		By: crew.Person, Dev: crew.Device, Text: "The hinge is dry."}.Encode()
	y.must(err)

	y.wantRefused("draining with a plain token", y.ask("POST", crew.at("/drain"), crew.access, object{"entries": []string{string(raw)}}), 401, "Authorization")
	y.ok("POST", crew.fill("/devices/{device}/revoke"), manager.access, nil, nil)
	y.wantRefused("a token from before", y.ask("GET", crew.at("/documents"), crew.access, nil), 403, "device")
	crew.token()
	if !crew.drained {
		t.Fatal("a revoked phone's token does not say that it is for draining only")
	}
	before := y.rows()
	for _, r := range [][2]string{{"GET", "/api/v1/me"}, {"GET", crew.at("/documents")}, {"GET", crew.at("/people")}, {"GET", crew.at("/rules")},
		{"POST", crew.at("/tickets")}, {"GET", crew.at("/decisions")}, {"GET", crew.at("/devices")}, {"GET", crew.at("/quarantine")}} {
		y.wantRefused(r[1]+" with a drain token", y.ask(r[0], r[1], crew.access, nil), 401, "Authorization")
	}
	y.wantRefused("joining with a drain token", y.ask("POST", "/api/v1/join", crew.access, object{"code": strings.Repeat("Z", 20), "name": "Petru"}), 401, "Authorization")
	if after := y.rows(); after != before {
		t.Errorf("refused requests left something:\n%s, want\n%s", after, before)
	}

	var kept struct{ Kept int }
	for range 2 { // the second time it had not heard the first answer
		y.ok("POST", crew.at("/drain"), crew.access, object{"entries": []string{string(raw), `{"broken":true}`}}, &kept)
		if kept.Kept != 2 {
			t.Errorf("kept %d, want 2", kept.Kept)
		}
	}
	waiting := manager.waiting()
	if len(waiting) != 2 {
		t.Fatalf("quarantine: %+v, want 2 items", waiting)
	}
	for _, item := range waiting {
		if item.Code != "revoked" || item.Device != crew.Device || item.Label != "Dan's phone" {
			t.Errorf("item: %+v", item)
		}
		if item.Entries[0].Raw != string(raw) {
			y.wantRefused("accepting what is no entry", manager.decide(item.ID, "accept", ""), 409, "decision")
			if a := manager.decide(item.ID, "discard", "this says nothing"); a.status != 200 {
				t.Errorf("discarding: %s", a)
			}
			continue
		}
		if a := manager.decide(item.ID, "accept", "seen on the phone"); a.status != 200 {
			t.Fatalf("accepting: %s", a)
		}
		y.wantRefused("deciding the other way", manager.decide(item.ID, "discard", "no"), 409, "decision")
	}
	if waiting = manager.waiting(); len(waiting) != 0 {
		t.Errorf("after the decisions %d items wait", len(waiting))
	}
	read, err := replay.Read(t.Context(), y.db, site.ID)
	y.must(err)
	if len(read.Entries) != 2 || string(read.Entries[0].Raw) != string(raw) {
		t.Fatalf("the log has %d entries; want the note as it was, and how it was let in", len(read.Entries))
	}
	if a := read.Entries[1]; a.Kind != logbook.Admitted || a.Of != read.Entries[0].ID || a.How != "accepted" || a.Via != crew.Device || a.By != logbook.Server {
		t.Errorf("admitted: %s", a.Raw)
	}
}

// A clock that is off is news once, and again when it is right; small changes are none.
func TestClockEntries(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	h := y.enrol(site.ID, rights.Crew, "Dan")
	year := 365 * 24 * time.Hour
	var want []int64
	for _, step := range []struct {
		what string
		skew time.Duration
		news bool
	}{
		{"right", time.Second, false},
		{"just inside the bound", -119 * time.Second, false},
		{"a year ahead", year, true},
		{"the same again", year, false},
		{"and again, some seconds off", year + 5*time.Second, false},
		{"right again", 0, true},
		{"still right", 0, false},
		{"a year behind", -year, true},
		{"the epoch: an empty battery", -time.Duration(y.clock.Load()) * time.Millisecond, true},
	} {
		h.skew = step.skew
		h.token()
		if step.news {
			want = append(want, -step.skew.Milliseconds())
		}
		read, err := replay.Read(t.Context(), y.db, site.ID)
		y.must(err)
		var got []int64
		for _, e := range read.Entries {
			if e.Kind != logbook.Clock || e.Device != h.Device || e.By != logbook.Server || e.At != y.clock.Load() {
				t.Errorf("%s: entry %s", step.what, e.Raw)
			}
			got = append(got, e.Offset)
		}
		if len(got) != len(want) || len(got) > 0 && !hasAll(got, want) {
			t.Errorf("%s: offsets in the log %v, want %v", step.what, got, want)
		}
	}
}

// hasAll compares without order: entries of the same millisecond are ordered by chance.
func hasAll(got, want []int64) bool {
	count := map[int64]int{}
	for _, x := range got {
		count[x]++
	}
	for _, x := range want {
		count[x]--
	}
	for _, n := range count {
		if n != 0 {
			return false
		}
	}
	return true
}

func TestHealth(t *testing.T) {
	y := newYard(t, nil)
	for _, path := range []string{"/healthz", "/readyz"} {
		if a := y.ask("GET", path, "", nil); a.status != http.StatusOK {
			t.Errorf("%s: %s", path, a)
		}
	}
	var api struct {
		OpenAPI string
		Paths   map[string]any
	}
	y.ok("GET", "/api/v1/openapi.json", "", nil, &api)
	if !strings.HasPrefix(api.OpenAPI, "3.") || len(api.Paths) != 32 {
		t.Errorf("openapi %s with %d paths, want 32", api.OpenAPI, len(api.Paths))
	}
}
