package httpapi_test

import (
	"strings"
	"testing"

	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// PostgreSQL takes no zero byte in a text and nothing but UTF-8, SQLite takes both: a caller notices neither. What
// has one is like any other id that nobody has, on both.
func TestTextThatADatabaseDoesNotTake(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	manager := y.enrol(site.ID, rights.Manager, "Maeve")
	code := y.invitation(site.ID, rights.Crew)
	before := y.rows()
	for _, odd := range []string{"\x00", "d\x00", "\xff", "d\xc3"} {
		escaped := strings.NewReplacer("\x00", "%00", "\xff", "%FF", "\xc3", "%C3").Replace(odd)
		for _, c := range []struct {
			method, path, token string
			body                any
		}{
			{"POST", "/api/v1/auth/token", "", object{"device": odd, "challenge": "c", "signature": b64(make([]byte, 64)), "clock": 1}},
			{"POST", "/api/v1/auth/token", "", object{"device": manager.Device, "challenge": odd, "signature": b64(make([]byte, 64)), "clock": 1}},
			{"POST", "/api/v1/invitations/look", "", object{"code": odd + strings.Repeat("A", 19)}},
			{"POST", "/api/v1/join", "", `{"code":"` + code + `","name":"A\u0000B","device":{"public_key":"` + b64(make([]byte, 32)) + `"}}`},
			{"POST", "/api/v1/join", "", `{"code":"` + code + `","name":"A","device":{"public_key":"` + b64(make([]byte, 32)) + `","label":"a\u0000b"}}`},
			{"GET", "/api/v1/sites/" + escaped + "/documents", manager.access, nil},
			{"POST", "/api/v1/sites/" + escaped + "/tickets", manager.access, nil},
			{"POST", manager.at("/people/" + escaped + "/end"), manager.access, nil},
			{"POST", manager.at("/devices/" + escaped + "/revoke"), manager.access, nil},
			{"POST", manager.at("/quarantine/" + escaped), manager.access, object{"decision": "discard", "why": "x"}},
			{"POST", manager.at("/invitations"), manager.access, object{"role": "crew", "person": odd}},
			{"POST", manager.at("/invitations"), manager.access, object{"role": "crew", "name": "a\x00b"}},
			{"GET", manager.at("/rules?at=" + escaped), manager.access, nil},
			{"GET", "/sync/v1?ticket=" + escaped, "", nil},
		} {
			y.ok("POST", "/api/v1/auth/challenge", "", object{"device": odd}, nil) // of no device, and kept nowhere
			if a := y.ask(c.method, c.path, c.token, c.body); a.status < 400 || a.status >= 500 {
				t.Errorf("%s %s, %q: %s; want it to be the caller's fault", c.method, c.path, c.body, a)
			}
		}
	}
	if after := y.rows(); after != before {
		t.Errorf("something was stored:\n%s, want\n%s", after, before)
	}
	// Words of a person are kept without it.
	y.must(y.db.Quarantine(t.Context(), site.ID, []hub.Quarantined{{ID: "q1", Device: manager.Device, Reason: "a\x00b"}}))
	y.ok("POST", manager.at("/quarantine/q1"), manager.access, object{"decision": "discard", "why": "c\x00d"}, nil)
	if item, err := y.accounts.RefusedItem(t.Context(), site.ID, "q1"); err != nil || item.Reason != "a\uFFFDb" || item.Why != "c\uFFFDd" {
		t.Errorf("kept: %+v, %v", item, err)
	}
}
