package httpapi_test

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// Every route that needs to know who asks, by every role: the answer's status, written by hand. A letter is what an answer
// says: k it is done, f the role may not (403), u no such token here (401), n not there (404), b the body is wrong (400).
// What a letter stands for is tried with a body that is good, at one's own site.
//
// The columns: nobody, viewer, technician, contractor, crew, a manager's phone on which nobody has signed in, a manager
// who is no owner, an owner, a token of before a revocation, a drain token.
var roleTable = map[string]string{
	"GET /api/v1/me":                              "ukkkkkkkfu",
	"GET /api/v1/calc":                            "ukkkkkkkfu",
	"POST /api/v1/calc/{name}":                    "ukkkkkkkfu",
	"POST /api/v1/sites/{site}/tickets":           "uffkkkkkfu",
	"GET /api/v1/sites/{site}/documents":          "uffkkkkkfu",
	"GET /api/v1/sites/{site}/people":             "ukkkkkkkfu",
	"GET /api/v1/sites/{site}/rules":              "ukkkkkkkfu",
	"GET /api/v1/sites/{site}/decisions":          "ukkkkkkkfu",
	"POST /api/v1/sites/{site}/drain":             "uuuuuuuuuk",
	"GET /api/v1/sites/{site}/quarantine-waiting": "uffffkkkfu",

	"POST /api/v1/sites/{site}/invitations":             "ufffffkkfu",
	"POST /api/v1/sites/{site}/people/{person}/end":     "ufffffkkfu",
	"GET /api/v1/sites/{site}/devices":                  "ufffffkkfu",
	"POST /api/v1/sites/{site}/devices/{device}/revoke": "ufffffkkfu",
	"POST /api/v1/sites/{site}/people/{person}/erase":   "ufffffkkfu",
	"GET /api/v1/sites/{site}/quarantine":               "ufffffkkfu",
	"POST /api/v1/sites/{site}/quarantine/{id}":         "ufffffkkfu",
	"GET /api/v1/sites/{site}/audit":                    "uffffffkfu",
	"POST /api/v1/sites/{site}/restore-window":          "uffffffkfu",

	"GET /api/v1/auth/person/{person}":         "uffffkkkfu",
	"POST /api/v1/auth/passphrase/set":         "ufffffkkfu",
	"POST /api/v1/auth/passphrase/login":       "uffffkkkfu",
	"POST /api/v1/auth/recovery/login":         "uffffuuufu", // a wrong code
	"POST /api/v1/auth/recovery/new":           "ufffffkkfu",
	"POST /api/v1/auth/passkey/register/begin": "uffffkkkfu",
	"POST /api/v1/auth/passkey/login/begin":    "uffffnnnfu", // who has no passkey
	// These find whom they are for by the ceremony; there is none.
	"POST /api/v1/auth/passkey/register/finish": "uuuuuuuufu",
	"POST /api/v1/auth/passkey/login/finish":    "uuuuuuuufu",
}

// open are the routes that ask for no token.
var openRoutes = []string{"POST /api/v1/invitations/look", "POST /api/v1/join", "POST /api/v1/auth/challenge", "POST /api/v1/auth/token"}

func TestEveryRouteByEveryRole(t *testing.T) {
	y := newYardWith(t, &yard{configure: behind("0.0.0.0/0")})
	f := y.newFarm("brook", "Sallow Brook", "Europe/Dublin", "of the brook", 1)
	status := map[byte]int{'k': 200, 'f': 403, 'u': 401, 'n': 404, 'b': 400}
	callers := []struct {
		who   string
		token string
		h     *handset
	}{{"nobody", "", f.crew}, {"viewer", f.viewer.access, f.viewer}, {"technician", f.technician.access, f.technician}, {"contractor", f.contractor.access, f.contractor},
		{"crew", f.crew.access, f.crew}, {"owner's phone alone", f.plain, f.owner}, {"manager", f.manager.access, f.manager}, {"owner", f.owner.access, f.owner},
		{"revoked", f.before, f.lost}, {"drain", f.lost.access, f.lost}}
	s := &scan{y: y}
	for _, route := range y.everyRoute() {
		want := roleTable[route]
		if want == "" {
			if !slices.Contains(openRoutes, route) {
				t.Errorf("%s is not in the table", route)
			}
			continue
		}
		if len(want) != len(callers) {
			t.Fatalf("%s: %d columns", route, len(want))
		}
		for i, c := range callers {
			// Something of its own to do it to, for each who may.
			own := f.own()
			own.manager, own.person, own.device, own.ceremony = c.h.Person, c.h.Person, f.spared.Device, nowhere.ceremony
			if strings.HasPrefix(route, "POST") && (strings.Contains(route, "{person}") || strings.Contains(route, "{device}") || strings.HasSuffix(route, "/invitations")) && want[i] == 'k' {
				victim := y.enrol(f.site.ID, rights.Crew, fmt.Sprintf("Victim %d", i))
				own.person, own.device = victim.Person, victim.Device
				if strings.HasSuffix(route, "/erase") {
					y.must(y.accounts.EndPerson(t.Context(), f.site.ID, victim.Person, y.clock.Load()))
				}
			}
			own.id = fmt.Sprintf("item-%s-%d", strings.ReplaceAll(c.who, " ", "-"), i)
			if strings.HasSuffix(route, "{id}") {
				y.refuse(f.site.ID, hub.Quarantined{ID: own.id, Doc: "log/2026-03", Device: f.crew.Device, Person: f.crew.Person, Entries: []string{f.crew.note(50+i, c.who)}})
			}
			a := s.ask(route, examples[route][0], c.token, own, own, nil)
			if a.status != status[want[i]] {
				t.Errorf("%s by %s: %s, want %d", route, c.who, a, status[want[i]])
			}
			if a.status != http.StatusOK {
				y.wantRefused(route+" by "+c.who, a, status[want[i]], fieldOf(a))
			}
		}
	}
	t.Logf("%d routes x %d callers", len(roleTable), len(callers))
}

// A manager who is no owner can neither put an owner out nor take their place by a further device of theirs.
func TestOwnersAreSpared(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	owner := y.enrol(site.ID, rights.Manager, "Owen")
	var made struct{ Code string }
	y.ok("POST", owner.at("/invitations"), owner.access, object{"role": "manager", "name": "Maeve"}, &made)
	manager := y.enrolBy(made.Code, "")
	manager.signIn()
	before := y.rows()
	y.wantRefused("ending an owner's access", y.ask("POST", owner.fill("/people/{person}/end"), manager.access, nil), 403, "person")
	for _, role := range []string{"crew", "manager"} {
		y.wantRefused("a further device of an owner, as "+role, y.ask("POST", manager.at("/invitations"), manager.access, object{"role": role, "person": owner.Person}), 403, "person")
	}
	if after := y.rows(); after != before {
		t.Errorf("refused requests left something:\n%s, want\n%s", after, before)
	}
	// Owners may, and a manager may for a manager; the record says for whom.
	y.ok("POST", owner.at("/invitations"), owner.access, object{"role": "manager", "person": owner.Person}, nil)
	y.ok("POST", manager.at("/invitations"), manager.access, object{"role": "manager", "person": manager.Person}, nil)
	a := y.ok("GET", owner.at("/audit"), owner.access, nil, nil)
	for _, who := range []*handset{owner, manager} {
		if !strings.Contains(string(a.body), `"what":"invite","target":"manager `+who.Person+`","outcome":"ok"`) {
			t.Errorf("the record does not say that %s was invited: %s", who.Person, a)
		}
	}
	// Whose ownership has ended is ended like anybody.
	made.Code = ""
	y.ok("POST", owner.at("/invitations"), owner.access, object{"role": "manager", "owner": true, "name": "Orla"}, &made)
	second := y.enrolBy(made.Code, "")
	second.signIn()
	y.ok("POST", owner.fill("/people/{person}/end"), second.access, nil, nil)
	y.wantRefused("again", y.ask("POST", owner.fill("/people/{person}/end"), manager.access, nil), 404, "person")
}
