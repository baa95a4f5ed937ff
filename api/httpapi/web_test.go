package httpapi_test

import (
	"net/http"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"gatewright/api/httpapi"
	"gatewright/schema/rights"
)

// ask with headers of a browser.
func (y *yard) browse(method, path, token, body string, headers map[string]string) answer {
	y.t.Helper()
	req, err := http.NewRequest(method, y.base+path, strings.NewReader(body))
	y.must(err)
	req.Header.Set("Content-Type", "application/json")
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for k, v := range headers {
		req.Header.Set(k, v)
	}
	return y.send(req)
}

func TestStrictTransport(t *testing.T) {
	for origin, want := range map[string]string{"https://gates.example": "max-age=31536000", "http://localhost:8080": ""} {
		y := newYardWith(t, &yard{phone: fstest.MapFS{"index.html": {Data: []byte("<!doctype html>")}}, configure: func(c *httpapi.Config) { c.Origin = origin }})
		for _, path := range []string{"/", "/healthz", "/api/v1/me", "/api/v1/nothing", "/sync/v1", "/.well-known/security.txt"} {
			a := y.ask("GET", path, "", nil)
			if got := a.header.Get("Strict-Transport-Security"); got != want {
				t.Errorf("%s of %s: %q, want %q", path, origin, got, want)
			}
			if got := a.header.Get("Cross-Origin-Embedder-Policy") + " " + a.header.Get("Cross-Origin-Resource-Policy"); got != "require-corp same-origin" {
				t.Errorf("%s of %s: embedding %q", path, origin, got)
			}
		}
	}
}

// security.txt after RFC 9116: Contact and Expires are required, and Expires less than a year away.
func TestSecurityText(t *testing.T) {
	y := newYardWith(t, &yard{configure: func(c *httpapi.Config) {
		c.SecurityContact = "mailto:weakness@gates.example nonsense javascript:alert(1) https://gates.example/tell"
	}})
	a := y.ask("GET", "/.well-known/security.txt", "", nil)
	if a.status != 200 || a.header.Get("Content-Type") != "text/plain; charset=utf-8" {
		t.Fatalf("%s of type %s", a, a.header.Get("Content-Type"))
	}
	want := "Contact: mailto:weakness@gates.example\nContact: https://gates.example/tell\nExpires: 2026-08-28T06:00:00Z\nCanonical: https://gates.example/.well-known/security.txt\n"
	if string(a.body) != want {
		t.Errorf("%s, want %s", a.body, want)
	}
	expires, err := time.Parse(time.RFC3339, "2026-08-28T06:00:00Z")
	if err != nil || expires.Sub(y.now()) > 365*24*time.Hour || expires.Before(y.now()) {
		t.Errorf("expires %v, %v", expires, err)
	}
	for _, contact := range []string{"", "nobody"} {
		y := newYardWith(t, &yard{configure: func(c *httpapi.Config) { c.SecurityContact = contact }})
		y.wantRefused("contact "+contact, y.ask("GET", "/.well-known/security.txt", "", nil), 404, "")
	}
}

// What a page of another origin makes a browser ask is turned away, before anybody is asked for a token; links that
// somebody follows and programs, which say nothing of where they come from, are not.
func TestFetchMetadata(t *testing.T) {
	y := newYardWith(t, &yard{phone: fstest.MapFS{"index.html": {Data: []byte("<!doctype html>")}}})
	h := y.enrol(y.site("brook").ID, rights.Crew, "Dan")
	before := y.rows()
	for _, site := range []string{"cross-site", "same-site", "something new"} {
		for _, mode := range []string{"cors", "no-cors", "", "navigate"} {
			for _, r := range [][2]string{{"GET", "/api/v1/me"}, {"POST", h.at("/tickets")}, {"POST", "/api/v1/auth/challenge"}, {"GET", "/api/v1/openapi.json"}, {"GET", h.at("/documents")}} {
				dest := "empty"
				if mode == "navigate" {
					dest = "iframe" // framed, and not followed
				}
				a := y.browse(r[0], r[1], h.access, `{"device":"`+h.Device+`"}`, map[string]string{"Sec-Fetch-Site": site, "Sec-Fetch-Mode": mode, "Sec-Fetch-Dest": dest})
				y.wantRefused(site+" "+mode+" "+r[1], a, 403, "")
			}
		}
		link := map[string]string{"Sec-Fetch-Site": site, "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
		y.wantRefused("a form sent from "+site, y.browse("POST", h.at("/tickets"), h.access, `{}`, link), 403, "")
		if a := y.browse("GET", "/api/v1/openapi.json", "", "", link); a.status != 200 {
			t.Errorf("a link from %s: %s", site, a)
		}
		if a := y.browse("GET", "/", "", "", link); a.status != 200 { // an invitation's link in a message
			t.Errorf("a link to the phone's page from %s: %s", site, a)
		}
	}
	if after := y.rows(); after != before {
		t.Errorf("refused requests left something:\n%s, want\n%s", after, before)
	}
	for _, site := range []string{"", "same-origin", "none"} {
		if a := y.browse("GET", "/api/v1/me", h.access, "", map[string]string{"Sec-Fetch-Site": site}); a.status != 200 {
			t.Errorf("from %q: %s", site, a)
		}
	}
}

// A socket is for pages of the origin that was set, or of the very address in numbers that they came from: a name that
// somebody let lead here is no origin of ours, though page and socket agree on it.
func TestSocketOrigins(t *testing.T) {
	y := newYard(t, nil)
	h := y.enrol(y.site("brook").ID, rights.Crew, "Dan")
	host := strings.TrimPrefix(y.base, "http://")
	for _, c := range []struct {
		origin, host string
		in           bool
	}{
		{"https://gates.example", host, true}, {"http://gates.example", host, false}, {"https://gates.example:444", host, false},
		{"http://" + host, host, true}, {"http://rebound.example", "rebound.example", false}, {"https://gates.example.evil.example", "gates.example.evil.example", false},
		{"http://localhost:8080", "localhost:8080", true}, {"http://localhost:8080", host, false}, {"null", host, false},
		{"http://192.168.1.20", "192.168.1.20", true}, {"http://[::1]:8080", "[::1]:8080", true},
	} {
		req, err := http.NewRequest("GET", y.base+h.ticket(), nil)
		y.must(err)
		req.Host = c.host
		for k, v := range map[string]string{"Origin": c.origin, "Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13", "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", "X-Forwarded-Host": "rebound.example"} {
			req.Header.Set(k, v)
		}
		res, err := client.Do(req)
		y.must(err)
		res.Body.Close()
		if in := res.StatusCode == http.StatusSwitchingProtocols; in != c.in || !in && res.StatusCode != http.StatusForbidden {
			t.Errorf("Origin %s at %s: %d, want it let in %v", c.origin, c.host, res.StatusCode, c.in)
		}
	}
}

// Methods that nobody needs are answered by no route; TRACE would send a request's headers back.
func TestMethods(t *testing.T) {
	y := newYardWith(t, &yard{phone: fstest.MapFS{"index.html": {Data: []byte("<!doctype html>")}}})
	for _, method := range []string{"TRACE", "CONNECT", "PATCH", "OPTIONS"} {
		for _, path := range []string{"/", "/api/v1/me", "/healthz", "/sync/v1"} {
			req, err := http.NewRequest(method, y.base+path, nil)
			y.must(err)
			req.Header.Set("X-Told", "back")
			a := y.send(req)
			if a.status < 400 || a.status >= 500 && a.status != http.StatusNotImplemented || strings.Contains(string(a.body), "back") {
				t.Errorf("%s %s: %s", method, path, a)
			}
		}
	}
}
