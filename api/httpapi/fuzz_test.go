package httpapi_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"gatewright/schema/rights"
)

// FuzzBody sends any body to every route that takes one. The answer is what was asked for, or problem details
// that name a code and say one sentence; a fault of the server's own is never among them.
func FuzzBody(f *testing.F) {
	// Each body comes from an address of its own, or limits would soon be all that is tried.
	y := newYardWith(f, &yard{configure: behind("0.0.0.0/0")})
	site := y.site("brook")
	crew, manager, lost := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve"), y.enrol(site.ID, rights.Crew, "Irena")
	y.must(y.accounts.Revoke(f.Context(), site.ID, lost.Device))
	lost.token()
	routes := []struct{ path, token, seed string }{
		{"/api/v1/invitations/look", "", `{"code":"ABCD-EFGH-JKMN-PQRS-TVWX"}`},
		{"/api/v1/join", "", `{"code":"ABCDEFGHJKMNPQRSTVWX","name":"Petru","device":{"public_key":"` + b64([]byte(strings.Repeat("k", 32))) + `","label":"x"}}`},
		{"/api/v1/join", crew.access, `{"code":"` + y.invitation(site.ID, rights.Crew) + `","name":"Petru"}`},
		{"/api/v1/auth/challenge", "", `{"device":"` + crew.Device + `"}`},
		{"/api/v1/auth/token", "", `{"device":"` + crew.Device + `","challenge":"x","signature":"AAAA","clock":1772344800000}`},
		{crew.at("/invitations"), manager.access, `{"role":"contractor","name":"Stella"}`},
		{crew.at("/quarantine/none"), manager.access, `{"decision":"accept","why":"it was right"}`},
		{crew.at("/restore-window"), manager.access, `{"minutes":0}`},
		{crew.at("/drain"), lost.access, `{"entries":["{}","[1,2]"]}`},
	}
	for i, r := range routes {
		f.Add(uint8(i), r.seed)
		f.Add(uint8(i), `{"`+strings.Repeat(`\u0000`, 5)+`":[[[{"code":1e999}]]],"code":null}`)
	}
	tried := 0
	f.Fuzz(func(t *testing.T, route uint8, body string) {
		r := routes[int(route)%len(routes)]
		req := httptest.NewRequest(http.MethodPost, r.path, strings.NewReader(body))
		req.Header.Set("Content-Type", "application/json")
		tried++
		req.Header.Set("X-Forwarded-For", fmt.Sprintf("2001:db8:%x:%x::1", tried>>16&0xffff, tried&0xffff))
		if r.token != "" {
			req.Header.Set("Authorization", "Bearer "+r.token)
		}
		res, err := y.app.Test(req, -1)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		raw, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		if res.StatusCode == http.StatusOK {
			if !json.Valid(raw) {
				t.Fatalf("%s: no JSON: %q", r.path, raw)
			}
			return
		}
		var p refusal
		if err := json.Unmarshal(raw, &p); err != nil || res.Header.Get("Content-Type") != "application/problem+json" {
			t.Fatalf("%s: %d %q", r.path, res.StatusCode, raw)
		}
		if res.StatusCode >= 500 || p.Status != res.StatusCode || p.Code == "" || !strings.HasSuffix(p.Detail, ".") || strings.Contains(p.Detail, "\n") || len(p.Detail) > 400 {
			t.Fatalf("%s: %d %q", r.path, res.StatusCode, raw)
		}
	})
}
