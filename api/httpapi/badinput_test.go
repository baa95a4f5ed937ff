package httpapi_test

import (
	"net/http"
	"strings"
	"testing"

	"gatewright/schema/rights"
)

// One row per way to get a route wrong: the answer says which field and why, nothing is stored, and the server
// goes on.
func TestBadInput(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	y.plant(site)
	crew, manager, lost := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve"), y.enrol(site.ID, rights.Crew, "Irena")
	y.must(y.accounts.Revoke(t.Context(), site.ID, lost.Device))
	lost.token()
	open := y.invitation(site.ID, rights.Crew)
	spent := y.invitation(site.ID, rights.Crew)
	y.ok("POST", "/api/v1/join", crew.access, object{"code": spent, "name": "Petru"}, nil)
	key := b64([]byte(strings.Repeat("k", 32)))

	const (
		look, join, challenge, token = "/api/v1/invitations/look", "/api/v1/join", "/api/v1/auth/challenge", "/api/v1/auth/token"
		calculate                    = "/api/v1/calc/record.canonical"
		free                         = ""
	)
	c, m, d := crew.access, manager.access, lost.access
	type row struct {
		what, method, path, token string
		body                      any
		status                    int
		field                     string
	}
	rows := []row{
		{"look: spent code", "POST", look, free, object{"code": spent}, 410, "code"},
		{"look: unknown code", "POST", look, free, object{"code": strings.Repeat("Z", 20)}, 404, "code"},
		{"look: short code", "POST", look, free, object{"code": "ABC"}, 400, "code"},
		{"look: long code", "POST", look, free, object{"code": strings.Repeat("A", 65)}, 400, "code"},
		{"look: code is a number", "POST", look, free, `{"code":5}`, 400, "code"},
		{"look: code is null", "POST", look, free, `{"code":null}`, 400, "code"},
		{"look: no code", "POST", look, free, `{}`, 400, "code"},
		{"look: a field that is none", "POST", look, free, object{"code": open, "colour": "red"}, 400, "colour"},

		{"join: spent code", "POST", join, free, object{"code": spent, "name": "A", "device": object{"public_key": key}}, 410, "code"},
		{"join: no code", "POST", join, free, object{"name": "A", "device": object{"public_key": key}}, 400, "code"},
		{"join: no name", "POST", join, free, object{"code": open, "device": object{"public_key": key}}, 400, "name"},
		{"join: blank name", "POST", join, free, object{"code": open, "name": "  ", "device": object{"public_key": key}}, 400, "name"},
		{"join: long name", "POST", join, free, object{"code": open, "name": strings.Repeat("x", 61), "device": object{"public_key": key}}, 400, "name"},
		{"join: very long name", "POST", join, free, object{"code": open, "name": strings.Repeat("x", 201), "device": object{"public_key": key}}, 400, "name"},
		{"join: NUL in the name", "POST", join, free, object{"code": open, "name": "a\x00b", "device": object{"public_key": key}}, 400, "name"},
		{"join: name is a list", "POST", join, free, object{"code": open, "name": []string{"A"}, "device": object{"public_key": key}}, 400, "name"},
		{"join: no device and no token", "POST", join, free, object{"code": open, "name": "A"}, 400, "device"},
		{"join: device is text", "POST", join, free, object{"code": open, "name": "A", "device": "d1"}, 400, "device"},
		{"join: no key", "POST", join, free, object{"code": open, "name": "A", "device": object{"label": "x"}}, 400, "device.public_key"},
		{"join: empty key", "POST", join, free, object{"code": open, "name": "A", "device": object{"public_key": ""}}, 400, "device.public_key"},
		{"join: short key", "POST", join, free, object{"code": open, "name": "A", "device": object{"public_key": "AAAA"}}, 400, "device.public_key"},
		{"join: key is no base64url", "POST", join, free, object{"code": open, "name": "A", "device": object{"public_key": "+++"}}, 400, "device.public_key"},
		{"join: long label", "POST", join, free, object{"code": open, "name": "A", "device": object{"public_key": key, "label": strings.Repeat("x", 61)}}, 400, "device.label"},
		{"join: bad token", "POST", join, "nonsense", object{"code": open, "name": "A"}, 401, "Authorization"},

		{"challenge: no device", "POST", challenge, free, `{}`, 400, "device"},
		{"challenge: no text for a device", "POST", challenge, free, object{"device": true}, 400, "device"},
		{"challenge: device is a number", "POST", challenge, free, `{"device":1e999}`, 400, "body"},
		{"challenge: long device", "POST", challenge, free, object{"device": strings.Repeat("d", 33)}, 400, "device"},

		{"token: unknown device", "POST", token, free, object{"device": "d00000000", "challenge": "x", "signature": "AA", "clock": 1}, 401, "challenge"},
		{"token: unknown challenge", "POST", token, free, object{"device": crew.Device, "challenge": "x", "signature": "AA", "clock": 1}, 401, "challenge"},
		{"token: no signature", "POST", token, free, object{"device": crew.Device, "challenge": "x", "clock": 1}, 400, "signature"},
		{"token: signature is no base64url", "POST", token, free, object{"device": crew.Device, "challenge": "x", "signature": "!", "clock": 1}, 400, "signature"},
		{"token: no clock", "POST", token, free, object{"device": crew.Device, "challenge": "x", "signature": "AA"}, 400, "clock"},
		{"token: clock is text", "POST", token, free, object{"device": crew.Device, "challenge": "x", "signature": "AA", "clock": "now"}, 400, "clock"},
		{"token: clock is NaN", "POST", token, free, `{"device":"` + crew.Device + `","challenge":"x","signature":"AA","clock":NaN}`, 400, "body"},
		{"token: clock is 1e999", "POST", token, free, `{"device":"` + crew.Device + `","challenge":"x","signature":"AA","clock":1e999}`, 400, "body"},
		{"token: clock is 1e300", "POST", token, free, `{"device":"` + crew.Device + `","challenge":"x","signature":"AA","clock":1e300}`, 400, "clock"},
		{"token: clock is a half", "POST", token, free, `{"device":"` + crew.Device + `","challenge":"x","signature":"AA","clock":0.5}`, 400, "clock"},
		{"token: clock is beyond the years", "POST", token, free, `{"device":"` + crew.Device + `","challenge":"x","signature":"AA","clock":9000000000000000}`, 400, "clock"},
		{"token: clock before 1970", "POST", token, free, `{"device":"` + crew.Device + `","challenge":"x","signature":"AA","clock":-1}`, 400, "clock"},

		{"me: no token", "GET", "/api/v1/me", free, nil, 401, "Authorization"},
		{"me: not a token", "GET", "/api/v1/me", "a.b.c", nil, 401, "Authorization"},
		{"me: a token cut off", "GET", "/api/v1/me", c[:len(c)-2], nil, 401, "Authorization"},
		{"me: a token that says alg none", "GET", "/api/v1/me", b64([]byte(`{"alg":"none","typ":"at+jwt"}`)) + "." + strings.Split(c, ".")[1] + ".", nil, 401, "Authorization"},
		{"me: a drain token", "GET", "/api/v1/me", d, nil, 401, "Authorization"},

		{"tickets: unknown site", "POST", "/api/v1/sites/nowhere/tickets", c, nil, 404, "site"},
		{"tickets: a site with %00", "POST", "/api/v1/sites/%00/tickets", c, nil, 404, "site"},
		{"tickets: no token", "POST", crew.at("/tickets"), free, nil, 401, "Authorization"},
		{"documents: unknown site", "GET", "/api/v1/sites/nowhere/documents", c, nil, 404, "site"},
		{"people: unknown site", "GET", "/api/v1/sites/nowhere/people", c, nil, 404, "site"},

		{"rules: unknown site", "GET", "/api/v1/sites/nowhere/rules", c, nil, 404, "site"},
		{"rules: at is garbage", "GET", crew.at("/rules?at=garbage"), c, nil, 400, "at"},
		{"rules: at in 1999", "GET", crew.at("/rules?at=1999-12-31T23:59:59Z"), c, nil, 400, "at"},
		{"rules: at in 2100", "GET", crew.at("/rules?at=2100-01-01T00:00:00Z"), c, nil, 400, "at"},
		{"rules: at is 0", "GET", crew.at("/rules?at=0"), c, nil, 400, "at"},
		{"rules: at is NaN", "GET", crew.at("/rules?at=NaN"), c, nil, 400, "at"},
		{"rules: at is 1e999", "GET", crew.at("/rules?at=1e999"), c, nil, 400, "at"},
		{"rules: at is larger than 64 bits", "GET", crew.at("/rules?at=99999999999999999999999"), c, nil, 400, "at"},
		{"rules: at on a day that is none", "GET", crew.at("/rules?at=2026-02-30T00:00:00Z"), c, nil, 400, "at"},
		{"rules: at without a zone", "GET", crew.at("/rules?at=2026-02-03T00:00:00"), c, nil, 400, "at"},

		{"invite: no role", "POST", crew.at("/invitations"), m, `{}`, 400, "role"},
		{"invite: an unknown role", "POST", crew.at("/invitations"), m, object{"role": "owner"}, 400, "role"},
		{"invite: role is a number", "POST", crew.at("/invitations"), m, object{"role": 5}, 400, "role"},
		{"invite: long name", "POST", crew.at("/invitations"), m, object{"role": "crew", "name": strings.Repeat("x", 61)}, 400, "name"},
		{"invite: unknown person", "POST", crew.at("/invitations"), m, object{"role": "crew", "person": "p00000000"}, 404, "person"},
		{"invite: unknown site", "POST", "/api/v1/sites/nowhere/invitations", m, object{"role": "crew"}, 404, "site"},
		{"end: unknown person", "POST", crew.at("/people/p00000000/end"), m, nil, 404, "person"},
		{"revoke: unknown device", "POST", crew.at("/devices/d00000000/revoke"), m, nil, 404, "device"},
		{"revoke: one that is revoked", "POST", crew.at("/devices/" + lost.Device + "/revoke"), m, nil, 404, "device"},
		{"decide: unknown item", "POST", crew.at("/quarantine/none"), m, object{"decision": "accept", "why": "x"}, 404, "id"},
		{"decide: no decision", "POST", crew.at("/quarantine/none"), m, `{}`, 400, "decision"},
		{"decide: another decision", "POST", crew.at("/quarantine/none"), m, object{"decision": "maybe"}, 400, "decision"},
		{"quarantine: decided is no truth", "GET", crew.at("/quarantine?decided=perhaps"), m, nil, 400, "decided"},
		{"decide: discarding without a reason", "POST", crew.at("/quarantine/none"), m, object{"decision": "discard"}, 400, "why"},
		{"decide: by nobody", "POST", crew.at("/quarantine/none"), m, object{"decision": "accept", "by": "nobody"}, 403, "by"},
		{"decide: by is too long", "POST", crew.at("/quarantine/none"), m, object{"decision": "accept", "by": strings.Repeat("x", 33)}, 400, "by"},
		{"decide: why is too long", "POST", crew.at("/quarantine/none"), m, object{"decision": "discard", "why": strings.Repeat("x", 2001)}, 400, "why"},
		{"window: no minutes", "POST", crew.at("/restore-window"), m, `{}`, 400, "minutes"},
		{"window: minutes below 0", "POST", crew.at("/restore-window"), m, object{"minutes": -1}, 400, "minutes"},
		{"window: more than a day", "POST", crew.at("/restore-window"), m, object{"minutes": 1441}, 400, "minutes"},
		{"window: a huge number", "POST", crew.at("/restore-window"), m, `{"minutes":9223372036854775807}`, 400, "minutes"},
		{"window: beyond 64 bits", "POST", crew.at("/restore-window"), m, `{"minutes":1e30}`, 400, "minutes"},
		{"window: 1e999", "POST", crew.at("/restore-window"), m, `{"minutes":1e999}`, 400, "body"},
		{"window: half a minute", "POST", crew.at("/restore-window"), m, `{"minutes":0.5}`, 400, "minutes"},

		{"drain: a plain token", "POST", crew.at("/drain"), c, object{"entries": []string{"{}"}}, 401, "Authorization"},
		{"drain: another site", "POST", "/api/v1/sites/nowhere/drain", d, object{"entries": []string{"{}"}}, 404, "site"},
		{"drain: no entries", "POST", crew.at("/drain"), d, `{}`, 400, "entries"},
		{"drain: entries is null", "POST", crew.at("/drain"), d, `{"entries":null}`, 400, "entries"},
		{"drain: an entry that is no text", "POST", crew.at("/drain"), d, `{"entries":["{}",5]}`, 400, "entries[1]"},
		{"drain: an entry that is no JSON", "POST", crew.at("/drain"), d, object{"entries": []string{"{}", "{"}}, 400, "entries[1]"},
		{"drain: a large entry", "POST", crew.at("/drain"), d, object{"entries": []string{`"` + strings.Repeat("x", 8<<10) + `"`}}, 400, "entries[0]"},
		{"drain: too many", "POST", crew.at("/drain"), d, object{"entries": strings.Split(strings.Repeat("{},", 501), ",")[:501]}, 400, "entries"},

		{"calc: no token", "POST", calculate, free, `{"value":1}`, 401, "Authorization"},
		{"calc: a drain token", "POST", calculate, d, `{"value":1}`, 401, "Authorization"},
		{"calc: the list without a token", "GET", "/api/v1/calc", free, nil, 401, "Authorization"},
		{"calc: unknown name", "POST", "/api/v1/calc/no.such", c, `{}`, 404, "name"},
		{"calc: a name with %00", "POST", "/api/v1/calc/%00", c, `{}`, 404, "name"},
		{"calc: a field is missing", "POST", calculate, c, `{}`, 422, "value"},
		{"calc: an unknown field", "POST", calculate, c, `{"value":1,"v":2}`, 422, "v"},

		{"nothing there", "GET", "/api/v1/nothing", c, nil, 404, ""},
		{"nothing there", "POST", "/elsewhere", c, `{}`, 404, ""},
		{"the socket without an upgrade", "GET", "/sync/v1", free, nil, 426, ""},
	}
	// Bodies that no route takes, and the wrong method, at every route with a body.
	for _, r := range []struct{ path, token string }{{look, free}, {join, free}, {challenge, free}, {token, free},
		{calculate, c}, {crew.at("/invitations"), m}, {crew.at("/quarantine/none"), m}, {crew.at("/restore-window"), m}, {crew.at("/drain"), d}} {
		for what, body := range map[string]string{
			"half a body": `{"code":`, "no JSON": "code=5", "NaN": `{"clock":NaN}`, "not UTF-8": "{\"code\":\"\xff\xfe\"}x", "two bodies": `{}{}`,
		} {
			rows = append(rows, row{r.path + ": " + what, "POST", r.path, r.token, body, 400, "body"})
		}
		rows = append(rows,
			row{r.path + ": empty body", "POST", r.path, r.token, "", 400, "body"},
			row{r.path + ": no body", "POST", r.path, r.token, nil, 400, "body"},
			row{r.path + ": a list", "POST", r.path, r.token, `[]`, 400, "body"},
			row{r.path + ": text", "POST", r.path, r.token, `"x"`, 400, "body"},
			row{r.path + ": null", "POST", r.path, r.token, `null`, 400, "body"},
			row{r.path + ": deep", "POST", r.path, r.token, strings.Repeat(`[`, 30_000), 400, "body"},
			row{r.path + ": too large", "POST", r.path, r.token, tooLarge(1<<20 + 11), 413, ""},
			row{r.path + ": DELETE", "DELETE", r.path, r.token, nil, 405, ""},
			row{r.path + ": PUT", "PUT", r.path, r.token, `{}`, 405, ""},
		)
	}
	for _, r := range []struct{ path, token string }{{look, free}, {join, free}, {challenge, free}, {token, free},
		{"/api/v1/auth/passphrase/login", m}, {crew.at("/invitations"), m}, {crew.at("/quarantine/none"), m}, {crew.at("/restore-window"), m}} {
		rows = append(rows, row{r.path + ": larger than anything here", "POST", r.path, r.token, `{"code":"` + strings.Repeat("x", 33<<10) + `"}`, 413, ""})
	}
	for _, path := range []string{"/api/v1/me", "/api/v1/calc", crew.at("/documents"), crew.at("/people"), crew.at("/rules"), crew.at("/devices"), crew.at("/quarantine")} {
		rows = append(rows, row{path + ": POST", "POST", path, m, `{}`, 405, ""})
	}

	before := y.rows()
	for _, r := range rows {
		y.wantRefused(r.what, y.ask(r.method, r.path, r.token, r.body), r.status, r.field)
		if after := y.rows(); after != before {
			t.Fatalf("%s left something:\n%s, want\n%s", r.what, after, before)
		}
	}
	if a := y.ask("GET", "/healthz", "", nil); a.status != http.StatusOK {
		t.Errorf("afterwards: %s", a)
	}
	if a := y.ask("POST", join, "", object{"code": open, "name": "Petru", "device": object{"public_key": key}}); a.status != http.StatusOK {
		t.Errorf("the open invitation, after all that: %s", a)
	}
}

// Guessing codes is bounded: after so many tries from an address the answer is to wait.
func TestTriesAreBounded(t *testing.T) {
	y := newYard(t, nil)
	for i := range 121 {
		a := y.ask("POST", "/api/v1/invitations/look", "", object{"code": strings.Repeat("Z", 20)})
		if want := 404; i < 120 && a.status != want {
			t.Fatalf("try %d: %s, want %d", i+1, a, want)
		}
		if i == 120 {
			y.wantRefused("try 121", a, http.StatusTooManyRequests, "")
		}
	}
	if a := y.ask("GET", "/healthz", "", nil); a.status != http.StatusOK {
		t.Errorf("another route: %s", a)
	}
}
