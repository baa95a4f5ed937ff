package httpapi_test

import (
	"crypto/ed25519"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"gatewright/api/accounts"
	"gatewright/schema/rights"
)

// forge signs a token of any header and claims, with any key: the public one as an HMAC secret, or none.
func forge(t *testing.T, header, claims object, key any) string {
	t.Helper()
	part := func(o object) string {
		raw, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		return b64(raw)
	}
	text := part(header) + "." + part(claims)
	switch k := key.(type) {
	case ed25519.PrivateKey:
		return text + "." + b64(ed25519.Sign(k, []byte(text)))
	case []byte:
		mac := hmac.New(sha256.New, k)
		mac.Write([]byte(text))
		return text + "." + b64(mac.Sum(nil))
	}
	return text + "."
}

// Tokens that are not what the server gave, on the running server, which knows its own key as the forger does not: none
// opens anything, on any route, and each of them is answered in the same words.
func TestForgedTokens(t *testing.T) {
	y := newYard(t, nil)
	site, other := y.site("brook"), y.site("hill")
	crew, owner := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve")
	neighbour := y.enrol(other.ID, rights.Manager, "Petru")
	keys, err := y.accounts.ServerKeys(t.Context())
	y.must(err)
	key, kid := keys[0].Private, keys[0].ID
	now := y.now().Unix()
	header := func(change func(object)) object {
		h := object{"alg": "EdDSA", "typ": "at+jwt", "kid": kid}
		if change != nil {
			change(h)
		}
		return h
	}
	claims := func(change func(object)) object {
		c := object{"iss": "gatewright", "sub": crew.Device, "aud": []string{"gatewright-api"}, "exp": now + 600, "nbf": now, "iat": now, "jti": "x", "site": site.ID}
		if change != nil {
			change(c)
		}
		return c
	}
	set := func(k string, v any) func(object) { return func(o object) { o[k] = v } }
	without := func(k string) func(object) { return func(o object) { delete(o, k) } }
	if a := y.ask("GET", "/api/v1/me", forge(t, header(nil), claims(nil), key), nil); a.status != 200 {
		t.Fatalf("what the server's own key signed: %s", a)
	}
	_, stranger, err := ed25519.GenerateKey(nil)
	y.must(err)
	public := []byte(key.Public().(ed25519.PublicKey))
	good := forge(t, header(nil), claims(nil), key)
	parts := strings.Split(good, ".")
	forged := map[string]string{
		"HS256 with the public key":            forge(t, header(set("alg", "HS256")), claims(nil), public),
		"HS256 with the public key, as base64": forge(t, header(set("alg", "HS256")), claims(nil), []byte(b64(public))),
		"none":                                 forge(t, header(set("alg", "none")), claims(nil), nil),
		"None":                                 forge(t, header(set("alg", "None")), claims(nil), nil),
		"none, with a signature":               forge(t, header(set("alg", "none")), claims(nil), key),
		"no alg":                               forge(t, header(without("alg")), claims(nil), key),
		"EdDSA without a signature":            forge(t, header(nil), claims(nil), nil),
		"somebody's key":                       forge(t, header(nil), claims(nil), stranger),
		"the device's own key":                 forge(t, header(nil), claims(nil), crew.key),
		"an unknown kid":                       forge(t, header(set("kid", "k000000000")), claims(nil), key),
		"no kid":                               forge(t, header(without("kid")), claims(nil), key),
		"a kid that is a path":                 forge(t, header(set("kid", "../../dev/null")), claims(nil), key),
		"a kid that is a query":                forge(t, header(set("kid", "' OR 1=1 --")), claims(nil), key),
		"a key of its own in the header":       forge(t, header(set("jwk", object{"kty": "OKP", "crv": "Ed25519", "x": b64(stranger.Public().(ed25519.PublicKey))})), claims(nil), stranger),
		"another type":                         forge(t, header(set("typ", "JWT")), claims(nil), key),
		"another issuer":                       forge(t, header(nil), claims(set("iss", "elsewhere")), key),
		"another audience":                     forge(t, header(nil), claims(set("aud", "elsewhere")), key),
		"no audience":                          forge(t, header(nil), claims(without("aud")), key),
		"expired":                              forge(t, header(nil), claims(set("exp", now)), key),
		"no expiry":                            forge(t, header(nil), claims(without("exp")), key),
		"not yet":                              forge(t, header(nil), claims(set("nbf", now+1)), key),
		"of tomorrow":                          forge(t, header(nil), claims(set("iat", now+86400)), key),
		"another site":                         forge(t, header(nil), claims(set("site", other.ID)), key),
		"another site's device":                forge(t, header(nil), claims(set("sub", neighbour.Device)), key),
		"no site":                              forge(t, header(nil), claims(without("site")), key),
		"a device that there is not":           forge(t, header(nil), claims(set("sub", "d000000000")), key),
		"a claim more":                         forge(t, header(nil), claims(set("role", "manager")), key),
		"a claim in capitals":                  forge(t, header(nil), claims(set("PER", owner.Person)), key),
		"other claims under its signature":     parts[0] + "." + strings.Split(forge(t, header(nil), claims(set("per", owner.Person)), key), ".")[1] + "." + parts[2],
		"padded":                               good + "=",
		"with a blank within":                  parts[0] + "." + parts[1] + " ." + parts[2],
		"four parts":                           good + ".x",
		"two parts":                            parts[0] + "." + parts[1],
	}
	before := y.rows()
	for what, token := range forged {
		for _, r := range [][2]string{{"GET", "/api/v1/me"}, {"POST", crew.at("/tickets")}, {"GET", crew.at("/documents")}, {"GET", crew.at("/devices")}, {"POST", crew.at("/drain")}} {
			var body any
			if r[1] == crew.at("/drain") {
				body = object{"entries": []string{}}
			}
			y.wantRefused(what+" at "+r[1], y.ask(r[0], r[1], token, body), 401, "Authorization")
		}
	}
	if after := y.rows(); after != before {
		t.Errorf("refused requests left something:\n%s, want\n%s", after, before)
	}

	// What the server could have signed, and did not: a person who is not on the device is nobody there.
	made, err := y.accounts.Invite(t.Context(), accounts.Invitation{Site: site.ID, Role: rights.Manager, Expires: y.now().Add(time.Hour).UnixMilli()}, "console")
	y.must(err)
	second := y.enrolBy(made.Code, "Orla")
	second.signIn()
	for what, per := range map[string]string{"an owner of another phone": owner.Person, "another site's owner": neighbour.Person, "nobody": "p000000000", "the server": "server"} {
		token := forge(t, header(nil), claims(set("per", per)), key)
		for _, r := range managersOnly {
			y.wantRefused("per of "+what+" at "+r.path, y.ask(r.method, crew.fill(r.path), token, r.body), 403, "role")
		}
		token = forge(t, header(nil), claims(func(o object) { o["per"], o["sub"] = per, second.Device }), key)
		y.wantRefused("per of "+what+" on a manager's phone", y.ask("GET", second.at("/devices"), token, nil), 403, "role")
		y.wantRefused("setting the way in of another, as "+what, y.ask("POST", "/api/v1/auth/passphrase/set", token, object{"person": second.Person, "passphrase": "another four words"}), 403, "person")
	}

	// A manager whose access ended while they were signed in; somebody else still works on that phone.
	y.ok("POST", "/api/v1/join", second.access, object{"code": y.invitation(site.ID, rights.Crew), "name": "Irena"}, nil)
	y.ok("GET", second.at("/devices"), second.access, nil, nil)
	y.must(y.accounts.EndPerson(t.Context(), site.ID, second.Person, y.clock.Load()))
	for _, r := range managersOnly {
		y.wantRefused("a manager of yesterday at "+r.path, y.ask(r.method, second.fill(r.path), second.access, r.body), 403, "role")
	}
	y.wantRefused("and their new recovery codes", y.ask("POST", "/api/v1/auth/recovery/new", second.access, object{"person": second.Person}), 404, "person")
	y.ok("GET", second.at("/rules"), second.access, nil, nil) // the phone itself goes on

	// A revoked device's token of before, and the drain token it gets then, on every route.
	y.must(y.accounts.Revoke(t.Context(), site.ID, crew.Device))
	old := crew.access
	drain := crew.token()
	if !crew.drained {
		t.Fatal("no drain token")
	}
	s := &scan{y: y}
	own := things{site: site.ID, person: crew.Person, manager: owner.Person, device: crew.Device, id: "q", code: strings.Repeat("Z", 20), challenge: "c", ceremony: "c"}
	tried := 0
	for _, route := range y.everyRoute() {
		if strings.HasSuffix(route, "/look") || strings.HasSuffix(route, "/auth/challenge") || strings.HasSuffix(route, "/auth/token") {
			continue // these ask for no token
		}
		for what, token := range map[string]string{"revoked": old, "drain": drain} {
			tried++
			a := s.ask(route, examples[route][0], token, own, own, nil)
			switch {
			case what == "drain" && strings.HasSuffix(route, "/drain"):
				if a.status != 200 {
					t.Errorf("draining: %s", a)
				}
			case what == "drain" || strings.HasSuffix(route, "/drain"):
				y.wantRefused(what+" at "+route, a, 401, "Authorization")
			default:
				y.wantRefused(what+" at "+route, a, 403, "device")
			}
		}
	}
	t.Logf("%d forged tokens at 5 routes, 4 claims of somebody else at %d routes of managers, %d requests of a revoked device", len(forged), len(managersOnly), tried)
}
