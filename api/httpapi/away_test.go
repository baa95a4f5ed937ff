package httpapi_test

import (
	"net/http"
	"testing"

	"gatewright/api/enginetest"
	"gatewright/schema/rights"
	"gatewright/sync/pgstore/pgtest"
)

// A database that is away is said to be so, whether something was to be read or written: 503, and no 500, which would
// be a mistake of ours. When it is back everything goes on.
func TestDatabaseAway(t *testing.T) {
	server := pgtest.Own(t, pgtest.Options{})
	before := engine
	engine = enginetest.PostgreSQL
	engine.Fresh = func(t testing.TB) string {
		dsn, err := server.Database(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return dsn
	}
	defer func() { engine = before }()
	y := newYard(t, nil)
	site := y.site("brook")
	code := y.invitation(site.ID, rights.Crew)
	h := y.enrol(site.ID, rights.Manager, "Irena")
	token := h.token()
	asks := []struct {
		method, path, token string
		body                any
	}{
		{"GET", "/readyz", "", nil},
		{"GET", "/api/v1/me", token, nil},
		{"GET", "/api/v1/sites/" + site.ID + "/people", token, nil},
		{"GET", "/api/v1/sites/" + site.ID + "/devices", token, nil},
		{"GET", "/api/v1/sites/" + site.ID + "/documents", token, nil},
		{"GET", "/api/v1/sites/" + site.ID + "/rules", token, nil},
		{"GET", "/api/v1/sites/" + site.ID + "/quarantine", token, nil},
		{"GET", "/api/v1/sites/" + site.ID + "/decisions", token, nil},
		{"POST", "/api/v1/sites/" + site.ID + "/tickets", token, nil},
		{"POST", "/api/v1/invitations/look", "", object{"code": code}},
		{"POST", "/api/v1/auth/challenge", "", object{"device": h.Device}},
	}
	ask := func(when string, bad bool) {
		t.Helper()
		for _, a := range asks {
			got := y.ask(a.method, a.path, a.token, a.body)
			if bad != (got.status == http.StatusServiceUnavailable) || !bad && got.status >= 500 {
				t.Errorf("%s: %s %s answers %d: %s", when, a.method, a.path, got.status, got.body)
			}
		}
	}
	ask("before", false)
	y.must(server.Kill())
	ask("killed", true)
	y.must(server.Restart(t.Context()))
	ask("back", false)
}
