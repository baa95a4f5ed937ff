package httpapi_test

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/api/accounts"
	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// Two sites on one server, each with everything that a site can have. Whoever belongs to one asks for all that the
// other has, by every route and every kind of message, and learns nothing: no answer holds anything of the other site,
// and what exists there is answered as what exists nowhere.

// farm is a site with everything in it.
type farm struct {
	y    *yard
	site accounts.Site
	// The people of the site, each on a phone of their own.
	owner, manager, crew, contractor, technician, viewer *handset
	lost, gone                                           *handset // revoked; everybody on it has ended
	spare, spared                                        *handset // whom callers may do something to
	plain                                                string   // the owner's phone alone
	before                                               string   // the lost phone's token of before

	item, entry                            string
	open, spent, typed                     string // invitations' codes
	ceremony, challenge, ticket, used, rec string
}

// newFarm makes one; n tells the two apart in what is recorded.
func (y *yard) newFarm(slug, name, zone, suffix string, n int) *farm {
	y.t.Helper()
	ctx := y.t.Context()
	site, err := y.accounts.CreateSite(ctx, slug, name, zone)
	y.must(err)
	y.plant(site)
	f := &farm{y: y, site: site}
	f.owner = y.enrol(site.ID, rights.Manager, "Owen "+suffix)
	f.plain = f.owner.device()
	made, err := y.accounts.Invite(ctx, accounts.Invitation{Site: site.ID, Role: rights.Manager, Expires: y.now().Add(time.Hour).UnixMilli()}, "console")
	y.must(err)
	f.manager = y.enrolBy(made.Code, "Maeve "+suffix)
	f.manager.signIn()
	for _, who := range []struct {
		into **handset
		role rights.Role
		name string
	}{{&f.crew, rights.Crew, "Dan"}, {&f.contractor, rights.Contractor, "Jon"}, {&f.technician, rights.Technician, "Tess"}, {&f.viewer, rights.Viewer, "Vic"},
		{&f.lost, rights.Crew, "Irena"}, {&f.gone, rights.Crew, "Gus"}, {&f.spare, rights.Crew, "Sue"}, {&f.spared, rights.Crew, "Sam"}} {
		*who.into = y.enrol(site.ID, who.role, who.name+" "+suffix)
	}
	var raws [][]byte
	for i := range 3 {
		e := logbook.Entry{ID: logbook.NewEntryID(y.clock.Load()+int64(i), [10]byte{byte(n), byte(i)}), Kind: logbook.Note, At: y.clock.Load(), By: logbook.Server, Dev: logbook.Server, Text: "a note of " + suffix}
		raw, err := e.Encode()
		y.must(err)
		raws, f.entry = append(raws, raw), string(e.ID)
	}
	y.must(y.hub.WriteEntries(ctx, site.ID, raws))
	f.item = fmt.Sprintf("q%031d", n)
	y.refuse(site.ID, hub.Quarantined{ID: f.item, Doc: "log/2026-03", Device: f.crew.Device, Person: f.crew.Person, Entries: []string{f.crew.note(n, "refused at "+suffix)}})
	f.before = f.lost.access
	y.must(y.accounts.Revoke(ctx, site.ID, f.lost.Device))
	y.must(y.accounts.EndPerson(ctx, site.ID, f.gone.Person, y.clock.Load()))
	f.lost.token()
	f.gone.token()
	y.ok("POST", f.lost.at("/drain"), f.lost.access, object{"entries": []string{f.lost.note(n+7, "drained at "+suffix)}}, nil)
	y.ok("POST", f.manager.at("/restore-window"), f.owner.access, object{"minutes": 5}, nil) // the path is the site's

	var inv struct{ Code, Short string }
	y.ok("POST", f.owner.at("/invitations"), f.owner.access, object{"role": "crew", "name": "Nobody Yet " + suffix}, &inv)
	f.open, f.typed = inv.Code, inv.Short
	f.spent = made.Code
	var begun struct{ Ceremony string }
	y.ok("POST", "/api/v1/auth/passkey/register/begin", f.owner.access, object{"person": f.owner.Person}, &begun)
	f.ceremony = begun.Ceremony
	f.challenge = f.crew.sign()["challenge"].(string)
	f.ticket, f.used = strings.TrimPrefix(f.crew.ticket(), "/sync/v1?ticket="), strings.TrimPrefix(f.crew.ticket(), "/sync/v1?ticket=")
	y.greet(y.socket("/sync/v1?ticket="+f.used), "peer-of-"+slug)
	var codes struct{ Recovery []string }
	y.ok("POST", "/api/v1/auth/recovery/new", f.owner.access, object{"person": f.owner.Person}, &codes)
	f.rec = codes.Recovery[0]
	return f
}

// marks are all words by which something of the farm could be recognised, as they stand in the database and as only
// the farm was told them.
func (f *farm) marks() []string {
	f.y.t.Helper()
	out := []string{f.site.ID, f.site.Slug, f.site.Name, f.site.Zone, f.open, f.spent, f.typed, f.ceremony, f.challenge, f.ticket, f.used, f.rec}
	for _, query := range []string{
		`SELECT p.id FROM people p JOIN grants g ON g.person_id = p.id WHERE g.site_id = $1`, `SELECT p.name FROM people p JOIN grants g ON g.person_id = p.id WHERE g.site_id = $1`,
		`SELECT id FROM grants WHERE site_id = $1`, `SELECT id FROM devices WHERE site_id = $1`, `SELECT label FROM devices WHERE site_id = $1`,
		`SELECT id FROM quarantine WHERE site_id = $1`, `SELECT id FROM documents WHERE site_id = $1`, `SELECT id FROM entries WHERE site_id = $1`,
		`SELECT id FROM audit WHERE site_id = $1`, `SELECT name FROM invitations WHERE site_id = $1 AND name IS NOT NULL`,
		`SELECT h.hash FROM changes h JOIN documents d ON d.id = h.doc_id WHERE d.site_id = $1`, `SELECT actor FROM actors WHERE site_id = $1`,
	} {
		rows, err := f.y.db.Reader().Query(query, f.site.ID)
		f.y.must(err)
		n := 0
		for rows.Next() {
			var raw []byte
			f.y.must(rows.Scan(&raw))
			n++
			if strings.Contains(query, "h.hash") || strings.Contains(query, "actor") {
				raw = []byte(hex.EncodeToString(raw))
			}
			out = append(out, string(raw))
		}
		f.y.must(rows.Err())
		rows.Close()
		if n == 0 {
			f.y.t.Fatalf("the farm has nothing of: %s", query)
		}
	}
	return out
}

// things are what a request can name, of a farm or of nowhere; what is the same everywhere is not among them.
type things struct{ site, person, manager, device, id, code, typed, challenge, ceremony, ticket, entry string }

// own is what the farm's own people may do something to.
func (f *farm) own() things {
	return things{f.site.ID, f.spare.Person, f.owner.Person, f.spared.Device, f.item, f.spent, f.typed, f.challenge, f.ceremony, f.used, f.entry}
}

func (f *farm) foreign() things {
	return things{f.site.ID, f.crew.Person, f.owner.Person, f.crew.Device, f.item, f.open, f.typed, f.challenge, f.ceremony, f.ticket, f.entry}
}

var nowhere = things{"00000000-0000-4000-8000-000000000000", "p000000000", "p000000001", "d000000000", strings.Repeat("0", 32),
	strings.Repeat("Z", 20), "ZZZZZZZZ", strings.Repeat("A", 43), strings.Repeat("A", 43), strings.Repeat("A", 43),
	string(logbook.NewEntryID(1772344800000, [10]byte{99}))}

// example is a request to a route, with names of things in braces.
type example struct {
	query string
	body  string // JSON; "" = none
}

// examples has every route of the API. A new route is missing here, and the scan says so.
var examples = map[string][]example{
	"POST /api/v1/invitations/look":                     {{body: `{"code":"{code}"}`}},
	"POST /api/v1/join":                                 {{body: `{"code":"{code}","name":"Petru"}`}},
	"POST /api/v1/auth/challenge":                       {{body: `{"device":"{device}"}`}},
	"POST /api/v1/auth/token":                           {{body: `{"device":"{device}","challenge":"{challenge}","signature":"AAAA","clock":1772344800000}`}},
	"GET /api/v1/me":                                    {{}},
	"GET /api/v1/auth/person/{person}":                  {{}},
	"POST /api/v1/auth/passphrase/set":                  {{body: `{"person":"{manager}","passphrase":"four words for a test"}`}},
	"POST /api/v1/auth/passphrase/login":                {{body: `{"person":"{manager}","passphrase":"four words for a test"}`}},
	"POST /api/v1/auth/recovery/login":                  {{body: `{"person":"{manager}","code":"0000000000000000"}`}},
	"POST /api/v1/auth/recovery/new":                    {{body: `{"person":"{manager}"}`}},
	"POST /api/v1/auth/passkey/register/begin":          {{body: `{"person":"{manager}"}`}},
	"POST /api/v1/auth/passkey/register/finish":         {{body: `{"ceremony":"{ceremony}","credential":{}}`}},
	"POST /api/v1/auth/passkey/login/begin":             {{body: `{"person":"{manager}"}`}},
	"POST /api/v1/auth/passkey/login/finish":            {{body: `{"ceremony":"{ceremony}","credential":{}}`}},
	"POST /api/v1/sites/{site}/tickets":                 {{}},
	"GET /api/v1/sites/{site}/documents":                {{}},
	"GET /api/v1/sites/{site}/people":                   {{}},
	"GET /api/v1/sites/{site}/rules":                    {{}, {query: "?at=2026-03-02T05:00:00Z"}},
	"POST /api/v1/sites/{site}/invitations":             {{body: `{"role":"crew","person":"{person}"}`}, {body: `{"role":"crew","name":"Nell"}`}},
	"POST /api/v1/sites/{site}/people/{person}/end":     {{}},
	"GET /api/v1/sites/{site}/devices":                  {{}},
	"POST /api/v1/sites/{site}/devices/{device}/revoke": {{}},
	"POST /api/v1/sites/{site}/people/{person}/erase":   {{}},
	"GET /api/v1/sites/{site}/audit":                    {{}, {query: "?limit=500"}},
	"POST /api/v1/sites/{site}/restore-window":          {{body: `{"minutes":5}`}},
	"GET /api/v1/sites/{site}/quarantine":               {{}, {query: "?decided=true"}},
	"GET /api/v1/sites/{site}/quarantine-waiting":       {{}},
	"POST /api/v1/sites/{site}/quarantine/{id}":         {{body: `{"decision":"discard","why":"no"}`}, {body: `{"decision":"accept","by":"{manager}"}`}},
	"GET /api/v1/sites/{site}/decisions":                {{}},
	"POST /api/v1/sites/{site}/drain":                   {{body: `{"entries":["{}"]}`}},
	"GET /api/v1/calc":                                  {{}},
	"POST /api/v1/calc/{name}":                          {{body: `{"value":1}`}},
}

// beside are the addresses that are no part of the API's document.
var beside = map[string]string{
	"GET /sync/v1":                  "the socket has a scan of its own",
	"GET /healthz":                  "says ok",
	"GET /readyz":                   "says ready",
	"GET /.well-known/security.txt": "the same for everybody",
	"GET /api/v1/openapi.json":      "the same for everybody", "GET /api/v1/openapi.yaml": "the same for everybody",
	"GET /api/v1/openapi-3.0.json": "the same for everybody", "GET /api/v1/openapi-3.0.yaml": "the same for everybody",
}

// everyRoute reads the routes of the API's own document, and holds them against the examples and against what the
// server really listens to.
func (y *yard) everyRoute() []string {
	y.t.Helper()
	var doc struct {
		Paths map[string]map[string]json.RawMessage
	}
	y.ok("GET", "/api/v1/openapi.json", "", nil, &doc)
	var routes []string
	for path, methods := range doc.Paths {
		for method := range methods {
			route := strings.ToUpper(method) + " " + path
			if examples[route] == nil {
				y.t.Errorf("%s has no example in the scan", route)
			}
			routes = append(routes, route)
		}
	}
	slices.Sort(routes)
	for route := range examples {
		if !slices.Contains(routes, route) {
			y.t.Errorf("the scan has an example of %s, which there is not", route)
		}
	}
	for _, r := range y.app.GetRoutes(true) {
		if r.Method == http.MethodHead || r.Method == http.MethodOptions {
			continue
		}
		parts := strings.Split(r.Path, "/")
		for i, p := range parts {
			if name, ok := strings.CutPrefix(p, ":"); ok {
				parts[i] = "{" + name + "}"
			}
		}
		route := r.Method + " " + strings.Join(parts, "/")
		if !slices.Contains(routes, route) && beside[route] == "" {
			y.t.Errorf("%s is neither in the API's document nor among what is beside it", route)
		}
	}
	return routes
}

var named = []string{"site", "person", "manager", "device", "id", "code", "challenge", "ceremony"}

func (t things) of(name string) string {
	return map[string]string{"site": t.site, "person": t.person, "manager": t.manager, "device": t.device, "id": t.id,
		"code": t.code, "challenge": t.challenge, "ceremony": t.ceremony}[name]
}

// scan asks with a clock that stands still and an address of its own for each request.
type scan struct {
	y        *yard
	marks    []string
	requests int
	leaks    int
}

// ask fills a request and gives status and body. names of things that are not in other are taken from own.
func (s *scan) ask(route string, e example, token string, own, other things, from map[string]bool) answer {
	s.y.t.Helper()
	method, path, _ := strings.Cut(route, " ")
	fill := func(text string) string {
		for _, name := range named {
			value := own.of(name)
			if from[name] {
				value = other.of(name)
			}
			text = strings.ReplaceAll(text, "{"+name+"}", value)
		}
		return strings.ReplaceAll(text, "{name}", "record.canonical")
	}
	var r io.Reader
	if e.body != "" {
		r = strings.NewReader(fill(e.body))
	}
	req, err := http.NewRequest(method, s.y.base+fill(path)+e.query, r)
	s.y.must(err)
	if r != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	s.requests++
	req.Header.Set("X-Forwarded-For", fmt.Sprintf("2001:db8:%x:%x::1", s.requests>>16&0xffff, s.requests&0xffff))
	return s.y.send(req)
}

// clean reports what an answer holds of the other site, and that the server did not fail.
func (s *scan) clean(what string, a answer) {
	s.y.t.Helper()
	text := string(a.body)
	for _, v := range a.header {
		text += "\n" + strings.Join(v, "\n")
	}
	for _, m := range s.marks {
		if strings.Contains(text, m) {
			s.leaks++
			s.y.t.Errorf("%s: the answer holds %q of the other site: %s", what, m, a)
		}
	}
	if a.status >= 500 {
		s.y.t.Errorf("%s: %s", what, a)
	}
}

// callers are everybody who can come with a token of the farm, or with none.
func (f *farm) callers() map[string]string {
	return map[string]string{"nobody": "", "owner": f.owner.access, "manager": f.manager.access, "owner's phone alone": f.plain, "crew": f.crew.access,
		"contractor": f.contractor.access, "technician": f.technician.access, "viewer": f.viewer.access,
		"revoked": f.before, "revoked, drain token": f.lost.access, "ended, drain token": f.gone.access}
}

// variants are the ways to take some of a request's things from elsewhere: each alone, and all together.
func variants(route string, e example) []map[string]bool {
	all := map[string]bool{}
	var out []map[string]bool
	for _, name := range named {
		if strings.Contains(route+e.body, "{"+name+"}") {
			out = append(out, map[string]bool{name: true})
			all[name] = true
		}
	}
	if len(all) > 1 {
		out = append(out, all)
	}
	return out
}

func TestNothingOfAnotherSite(t *testing.T) {
	y := newYardWith(t, &yard{configure: behind("0.0.0.0/0")})
	a := y.newFarm("brook", "Sallow Brook", "Europe/Dublin", "of the brook", 1)
	routes := y.everyRoute()
	callers := a.callers()
	s := &scan{y: y}

	// What a farm's own people read is the same whether there is another site or not.
	reads := func() map[string]string {
		out := map[string]string{}
		for _, route := range routes {
			if !strings.HasPrefix(route, "GET ") {
				continue
			}
			for who, token := range callers {
				for i, e := range examples[route] {
					got := s.ask(route, e, token, a.own(), a.own(), nil)
					out[fmt.Sprint(who, ": ", route, i)] = got.String()
					s.clean(who+": "+route, got)
				}
			}
		}
		return out
	}
	alone := reads()
	b := y.newFarm("zander-hill", "Zander Hill Dairy", "Pacific/Auckland", "of the hill", 2)
	s.marks = b.marks()
	both := reads()
	for what, was := range alone {
		if both[what] != was {
			s.leaks++
			t.Errorf("%s: with another site beside it %s, without %s", what, both[what], was)
		}
	}
	// What exists at the other site is answered as what exists nowhere.
	before := y.rowsOf(b.site.ID)
	for _, route := range routes {
		for _, e := range examples[route] {
			for _, from := range variants(route, e) {
				for _, who := range slices.Sorted(maps.Keys(callers)) {
					what := fmt.Sprintf("%s: %s %s with the other site's %v", who, route, e.body, slices.Sorted(maps.Keys(from)))
					if from["code"] && strings.HasSuffix(route, "look") {
						continue // who holds the code of an open invitation was invited
					}
					theirs := s.ask(route, e, callers[who], a.own(), b.foreign(), from)
					none := s.ask(route, e, callers[who], a.own(), nowhere, from)
					s.clean(what, theirs)
					if from["code"] {
						// A code is a secret of 100 bits and not a name: who has it may be told that it is not for this phone.
						if theirs.status < 400 {
							t.Errorf("%s: %s", what, theirs)
						}
						continue
					}
					if strings.HasSuffix(route, "/auth/challenge") { // a fresh one each time
						if theirs.status != none.status || len(theirs.body) != len(none.body) {
							s.leaks++
							t.Errorf("%s: %s, of nowhere %s", what, theirs, none)
						}
						continue
					}
					if theirs.String() != none.String() {
						s.leaks++
						t.Errorf("%s: %s, of nowhere %s", what, theirs, none)
					}
				}
			}
		}
	}
	if after := y.rowsOf(b.site.ID); after != before {
		t.Errorf("the other site was changed:\n%s, want\n%s", after, before)
	}
	// At last what callers do at home, which changes it: still nothing of the other site.
	s.marks = b.marks()
	for _, route := range routes {
		for _, e := range examples[route] {
			for _, who := range slices.Sorted(maps.Keys(callers)) {
				if route != "GET /api/v1/sites/{site}/audit" { // there stand the ids that were asked with above
					s.clean(who+" at home: "+route, s.ask(route, e, callers[who], a.own(), a.own(), nil))
				}
			}
		}
	}
	// An item that names the other site's device: its label must not come with it.
	y.refuse(a.site.ID, hub.Quarantined{ID: "q-foreign", Doc: "log/2026-03", Device: b.crew.Device, Person: a.crew.Person, Reason: "none", Code: "x"})
	listed := s.ask("GET /api/v1/sites/{site}/quarantine", example{}, a.owner.access, a.own(), a.own(), nil)
	if listed.status != 200 || strings.Contains(string(listed.body), b.crew.Name) {
		t.Errorf("an item that names another site's device: %s", listed)
	}
	t.Logf("%d routes, %d callers, %d marks of the other site, %d requests, %d leaks", len(routes), len(callers), len(s.marks), s.requests, s.leaks)
}

// rowsOf counts what a site has in the database and how much of it was decided, ended or spent.
func (y *yard) rowsOf(site string) string {
	y.t.Helper()
	var out strings.Builder
	for _, query := range []string{
		`SELECT COUNT(*) FROM grants WHERE site_id = $1`, `SELECT COUNT(*) FROM grants WHERE site_id = $1 AND until_at IS NOT NULL`,
		`SELECT COUNT(*) FROM devices WHERE site_id = $1`, `SELECT COUNT(*) FROM devices WHERE site_id = $1 AND revoked_at IS NOT NULL`,
		`SELECT COUNT(*) FROM invitations WHERE site_id = $1`, `SELECT COUNT(*) FROM invitations WHERE site_id = $1 AND spent_at IS NOT NULL`,
		`SELECT COUNT(*) FROM quarantine WHERE site_id = $1`, `SELECT COUNT(*) FROM quarantine WHERE site_id = $1 AND resolved_at IS NOT NULL`,
		`SELECT COUNT(*) FROM documents WHERE site_id = $1`, `SELECT COUNT(*) FROM entries WHERE site_id = $1`, `SELECT COUNT(*) FROM audit WHERE site_id = $1`,
		`SELECT COUNT(*) FROM tickets WHERE site_id = $1`, `SELECT COUNT(*) FROM ceremonies c JOIN devices d ON d.id = c.device_id WHERE d.site_id = $1`,
		`SELECT COUNT(*) FROM device_people x JOIN devices d ON d.id = x.device_id WHERE d.site_id = $1`,
		`SELECT COUNT(*) FROM passphrases x JOIN grants g ON g.person_id = x.person_id WHERE g.site_id = $1`,
		`SELECT COUNT(*) FROM recovery_codes x JOIN grants g ON g.person_id = x.person_id WHERE g.site_id = $1 AND x.used_at IS NULL`,
		`SELECT COUNT(*) FROM people x JOIN grants g ON g.person_id = x.id WHERE g.site_id = $1 AND x.name IS NOT NULL`,
		`SELECT COALESCE(restore_until, 0) FROM sites WHERE id = $1`,
	} {
		var n int64
		y.must(y.db.Reader().QueryRow(query, site).Scan(&n))
		fmt.Fprintf(&out, "%d of %s\n", n, query)
	}
	return out.String()
}
