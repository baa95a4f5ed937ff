package httpapi_test

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"gatewright/api/accounts"
	"gatewright/api/auth"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// device gives a token that speaks for the phone alone, whoever is on it.
func (h *handset) device() string {
	h.y.t.Helper()
	var out struct {
		AccessToken string `json:"access_token"`
	}
	h.y.ok("POST", "/api/v1/auth/token", "", h.sign(), &out)
	return out.AccessToken
}

// A manager's tile on a phone is no manager: every route of managers needs somebody who has signed in.
func TestManagersSignIn(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	manager := y.enrol(site.ID, rights.Manager, "Maeve")
	plain := manager.device()
	for _, r := range managersOnly {
		a := y.ask(r.method, manager.fill(r.path), plain, r.body)
		y.wantRefused(r.method+" "+r.path+" by the device alone", a, 403, "person")
	}
	var phones struct{ Devices []accounts.Device }
	y.ok("GET", manager.at("/devices"), manager.access, nil, &phones)
	if len(phones.Devices) != 1 || !slices.Equal(phones.Devices[0].People, []string{manager.Person}) {
		t.Errorf("the list of devices says %+v, want the manager's with the manager on it", phones.Devices)
	}

	// Somebody else's way in, or a person who is not on the phone, is nothing to this phone.
	other := y.enrol(site.ID, rights.Manager, "Orla")
	login := object{"person": other.Person, "passphrase": phrase}
	y.wantRefused("a person of another phone", y.ask("POST", "/api/v1/auth/passphrase/login", plain, login), 404, "person")
	crew := y.enrol(site.ID, rights.Crew, "Dan")
	y.wantRefused("a milker", y.ask("GET", "/api/v1/auth/person/"+crew.Person, crew.access, nil), 403, "person")

	// The device's word adds no second way in.
	set := object{"person": manager.Person, "passphrase": "another four words here"}
	y.wantRefused("another passphrase by the device alone", y.ask("POST", "/api/v1/auth/passphrase/set", plain, set), 403, "person")
	y.ok("POST", "/api/v1/auth/passphrase/set", manager.access, set, nil)
	y.wantRefused("the passphrase before", y.ask("POST", "/api/v1/auth/passphrase/login", plain, object{"person": manager.Person, "passphrase": phrase}), 401, "person")
	y.ok("POST", "/api/v1/auth/passphrase/login", plain, set, nil)

	// The token says who, and runs out like any other.
	y.pass(11 * time.Minute)
	y.wantRefused("after ten minutes", y.ask("GET", manager.at("/devices"), manager.access, nil), 401, "Authorization")
}

func TestPassphrases(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	public := y.invitation(site.ID, rights.Manager)
	h := y.enrolBy(public, "Maeve")
	for what, phrase := range map[string]string{
		"short": "three words", "the commonest": "CorrectHorseBatteryStaple", "one letter": strings.Repeat("é", 20), "long": strings.Repeat("ab ", 70),
	} {
		a := y.ask("POST", "/api/v1/auth/passphrase/set", h.device(), object{"person": h.Person, "passphrase": phrase})
		y.wantRefused(what, a, 400, "passphrase")
	}
	var set struct{ Recovery []string }
	y.ok("POST", "/api/v1/auth/passphrase/set", h.device(), object{"person": h.Person, "passphrase": "vier Wörter für Maeve"}, &set)
	if len(set.Recovery) != 10 {
		t.Fatalf("recovery codes %v", set.Recovery)
	}
	var phraseHash string
	y.must(y.db.Reader().QueryRow(`SELECT hash FROM passphrases`).Scan(&phraseHash))
	if !strings.HasPrefix(phraseHash, "$argon2id$v=19$m=19456,t=2,p=1$") || strings.Contains(phraseHash, "Maeve") {
		t.Errorf("kept as %s", phraseHash)
	}
	// A code opens once, in whatever way it was typed.
	typed := strings.ToLower(set.Recovery[3][:8] + "-" + set.Recovery[3][8:])
	use := object{"person": h.Person, "code": typed}
	y.ok("POST", "/api/v1/auth/recovery/login", h.device(), use, nil)
	y.wantRefused("the code again", y.ask("POST", "/api/v1/auth/recovery/login", h.device(), use), 401, "person")
	y.wantRefused("no code at all", y.ask("POST", "/api/v1/auth/recovery/login", h.device(), object{"person": h.Person, "code": "???"}), 401, "person")
	var ways struct {
		Ways  accounts.Ways
		Setup bool `json:"needs_setup"`
	}
	y.ok("GET", "/api/v1/auth/person/"+h.Person, h.device(), nil, &ways)
	if ways.Setup || ways.Ways != (accounts.Ways{Passphrase: true, Recovery: 9}) {
		t.Errorf("ways in: %+v", ways)
	}
}

// Guessing slows down the phone that guesses, and nobody else.
func TestGuessingLocksNobodyElseOut(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	maeve := y.enrol(site.ID, rights.Manager, "Maeve")
	// Maeve's tile is on a second phone, in the yard.
	made, err := y.accounts.Invite(t.Context(), accounts.Invitation{Site: site.ID, Role: rights.Manager, Person: maeve.Person, Expires: y.now().Add(time.Hour).UnixMilli()}, "console")
	y.must(err)
	yardPhone := y.enrolBy(made.Code, "")
	if yardPhone.Person != maeve.Person {
		t.Fatalf("another person: %s", yardPhone.Person)
	}
	wrong := object{"person": maeve.Person, "passphrase": "is it this one perhaps"}
	right := object{"person": maeve.Person, "passphrase": phrase}
	plain := yardPhone.device()
	tries := 0
	for ; ; tries++ {
		a := y.ask("POST", "/api/v1/auth/passphrase/login", plain, wrong)
		if a.status == 429 {
			y.wantRefused("guessing", a, 429, "person")
			if a.header.Get("Retry-After") == "" {
				t.Error("no Retry-After")
			}
			break
		}
		y.wantRefused("a wrong one", a, 401, "person")
		if tries > 10 {
			t.Fatal("nothing stops guessing")
		}
	}
	y.wantRefused("the right one in the delay", y.ask("POST", "/api/v1/auth/passphrase/login", plain, right), 429, "person")
	y.ok("POST", "/api/v1/auth/passphrase/login", maeve.device(), right, nil) // from her own phone at once
	// Whoever tries on and on fills no record: the same refusal of a phone is noted once a minute.
	noted := func(outcome string) (n int) {
		y.must(y.db.Reader().QueryRow(`SELECT COUNT(*) FROM audit WHERE site_id = $1 AND device = $2 AND outcome = $3`, site.ID, yardPhone.Device, outcome).Scan(&n))
		return n
	}
	for range 5 {
		y.wantRefused("again in the delay", y.ask("POST", "/api/v1/auth/passphrase/login", plain, wrong), 429, "person")
	}
	if noted("unauthenticated") != 1 || noted("too-many") != 1 {
		t.Errorf("noted %d wrong tries and %d in the delay, want one of each", noted("unauthenticated"), noted("too-many"))
	}
	y.pass(20 * time.Minute)
	y.wantRefused("a wrong one later", y.ask("POST", "/api/v1/auth/passphrase/login", yardPhone.device(), wrong), 401, "person")
	if noted("unauthenticated") != 2 {
		t.Errorf("a wrong try of later is not noted")
	}
	y.pass(20 * time.Minute)
	y.ok("POST", "/api/v1/auth/passphrase/login", yardPhone.device(), right, nil)
	y.wantRefused("one wrong one after success is free again", y.ask("POST", "/api/v1/auth/passphrase/login", yardPhone.device(), wrong), 401, "person")
}

func TestTypedCodes(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	manager := y.enrol(site.ID, rights.Manager, "Maeve")
	invite := func() (out struct {
		Code, Short  string
		ShortExpires int64 `json:"short_expires"`
	}) {
		y.ok("POST", manager.at("/invitations"), manager.access, object{"role": "crew"}, &out)
		return out
	}
	inv := invite()
	if len(inv.Short) != 8 || inv.ShortExpires != y.clock.Load()+10*60_000 {
		t.Fatalf("%+v", inv)
	}
	look := func(code string) answer { return y.ask("POST", "/api/v1/invitations/look", "", object{"code": code}) }
	if a := look(strings.ToLower(inv.Short[:4] + " " + inv.Short[4:])); a.status != 200 {
		t.Errorf("looking by the typed code: %s", a)
	}
	y.enrolBy(inv.Short, "Dan")
	y.wantRefused("the link after the typed code was spent", look(inv.Code), 410, "code")
	late := invite()
	y.pass(10*time.Minute + time.Second)
	manager.token()
	y.wantRefused("a typed code after ten minutes", look(late.Short), 410, "code")
	if a := look(late.Code); a.status != 200 {
		t.Errorf("its link: %s", a)
	}
	// Guessing ends soon, and the links of others go on.
	good, status := invite(), 0
	for i := range 40 {
		if status = look(fmt.Sprintf("0000000%X", i%16)).status; status == 429 {
			if i != 20 {
				t.Errorf("stopped after %d", i)
			}
			break
		}
	}
	y.wantRefused("guessing codes", look("00000000"), 429, "code")
	y.wantRefused("a good one meanwhile", look(good.Short), 429, "code")
	if a := look(good.Code); a.status != 200 {
		t.Errorf("a link meanwhile: %s", a)
	}
}

// Whose access has ended reads nothing: neither the rules, nor a ticket, nor by an open token.
func TestEndedPeopleReadNothing(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	manager := y.enrol(site.ID, rights.Manager, "Maeve")
	crew := y.enrol(site.ID, rights.Crew, "Dan")
	y.ok("GET", crew.at("/rules"), crew.access, nil, nil)
	y.ok("POST", manager.at("/people/"+crew.Person+"/end"), manager.access, object{}, nil)
	for _, path := range []string{"/rules", "/people", "/documents", "/decisions"} {
		y.wantRefused(path, y.ask("GET", crew.at(path), crew.access, nil), 403, "device")
	}
	y.wantRefused("ticket", y.ask("POST", crew.at("/tickets"), crew.access, object{}), 403, "device")
	crew.token()
	if !crew.drained {
		t.Error("the token of a phone on which everybody has ended still reads")
	}
	y.ok("POST", crew.at("/drain"), crew.access, object{"entries": []string{`{"a":1}`}}, nil)

	// The name goes when a manager says so, and not before the access has ended.
	y.wantRefused("erasing a manager at work", y.ask("POST", manager.at("/people/"+manager.Person+"/erase"), manager.access, object{}), 409, "person")
	y.ok("POST", manager.at("/people/"+crew.Person+"/erase"), manager.access, object{}, nil)
	var list struct{ People []accounts.Person }
	y.ok("GET", manager.at("/people"), manager.access, nil, &list)
	for _, p := range list.People {
		if p.ID == crew.Person && p.Name != "" {
			t.Errorf("still called %q", p.Name)
		}
	}
}

// Who was put out does not come back by an invitation of their own making; those of others stay.
func TestInvitationsOfWhoWasPutOut(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	owner := y.enrol(site.ID, rights.Manager, "Owen")
	var made, others struct{ Code, Short string }
	y.ok("POST", owner.at("/invitations"), owner.access, object{"role": "manager"}, &made)
	manager := y.enrolBy(made.Code, "Maeve")
	manager.signIn()
	y.ok("POST", manager.at("/invitations"), manager.access, object{"role": "manager"}, &made)
	y.ok("POST", owner.at("/invitations"), owner.access, object{"role": "crew"}, &others)
	y.ok("POST", manager.fill("/people/{person}/end"), owner.access, nil, nil)
	for _, code := range []string{made.Code, made.Short} {
		y.wantRefused("looking at "+code, y.ask("POST", "/api/v1/invitations/look", "", object{"code": code}), 410, "code")
		y.wantRefused("joining by "+code, y.ask("POST", "/api/v1/join", "", object{"code": code, "name": "Maeve", "device": object{"public_key": b64(make([]byte, 32))}}), 410, "code")
	}
	y.enrolBy(others.Short, "Dan")
}

// Technicians and viewers hold no documents, and see nobody's name but their own.
func TestOnlookersReadProjections(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	y.enrol(site.ID, rights.Crew, "Dan")
	for _, role := range []rights.Role{rights.Technician, rights.Viewer} {
		h := y.enrol(site.ID, role, "Somebody")
		y.wantRefused("ticket", y.ask("POST", h.at("/tickets"), h.access, object{}), 403, "role")
		y.wantRefused("documents", y.ask("GET", h.at("/documents"), h.access, nil), 403, "role")
		y.ok("GET", h.at("/rules"), h.access, nil, nil)
		var list struct{ People []accounts.Person }
		y.ok("GET", h.at("/people"), h.access, nil, &list)
		for _, p := range list.People {
			if (p.Name != "") != (p.ID == h.Person) {
				t.Errorf("a %s sees %+v", role, p)
			}
		}
	}
}

// A grant for a day and a gate: it ends by itself, and what lies outside is refused.
func TestGrantsEndByThemselves(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	manager := y.enrol(site.ID, rights.Manager, "Maeve")
	var inv struct{ Code string }
	until := y.now().Add(time.Hour).UnixMilli()
	y.ok("POST", manager.at("/invitations"), manager.access, object{"role": "contractor", "name": "Ruan", "gates": []string{"e"}, "doings": []string{"tick", "note"}, "until": until}, &inv)
	h := y.enrolBy(inv.Code, "")
	author, ok, err := y.db.AuthorOf(t.Context(), site.ID, h.Device)
	if err != nil || !ok || len(author.People) != 1 {
		t.Fatalf("%+v, %v", author, err)
	}
	if p := author.People[0]; p.Until != until || len(p.Gates) != 1 || p.Gates[0] != "e" || len(p.Doings) != 2 {
		t.Errorf("the hub goes by %+v", p)
	}
	y.wantRefused("until in the past", y.ask("POST", manager.at("/invitations"), manager.access, object{"role": "crew", "until": 5}), 400, "until")
	y.wantRefused("a gate that is no id", y.ask("POST", manager.at("/invitations"), manager.access, object{"role": "crew", "gates": []string{"East Race"}}), 400, "gates")
	y.wantRefused("a doing that is none", y.ask("POST", manager.at("/invitations"), manager.access, object{"role": "crew", "doings": []string{"milk"}}), 400, "doings")
	c := y.socket(h.ticket())
	y.greet(c, "peer-1")
	y.pass(61 * time.Minute)
	y.wantClosed("the socket of a grant that has ended", c, hub.CloseRevoked)
	h.token()
	if !h.drained {
		t.Error("the grant did not end")
	}
}

// What happened can be looked up by an owner: ids and words, no secrets and no names.
func TestAudit(t *testing.T) {
	y := newYard(t, nil)
	site, other := y.site("brook"), y.site("hill")
	owner := y.enrol(site.ID, rights.Manager, "Maeve Tully")
	crew := y.enrol(site.ID, rights.Crew, "Dan")
	y.pass(time.Minute)
	y.ask("POST", "/api/v1/auth/passphrase/login", owner.access, object{"person": owner.Person, "passphrase": "a wrong passphrase"})
	y.ok("POST", owner.at("/devices/"+crew.Device+"/revoke"), owner.access, object{}, nil)
	var made struct{ Code string }
	y.ok("POST", owner.at("/invitations"), owner.access, object{"role": "manager"}, &made)
	second := y.enrolBy(made.Code, "Orla")
	second.signIn()
	y.wantRefused("a manager who is no owner", y.ask("GET", second.at("/audit"), second.access, nil), 403, "role")
	y.wantRefused("making an owner", y.ask("POST", second.at("/invitations"), second.access, object{"role": "manager", "owner": true}), 403, "owner")
	var out struct{ Events []accounts.Event }
	a := y.ok("GET", owner.at("/audit"), owner.access, nil, &out)
	said := map[string]string{}
	for _, e := range out.Events {
		said[e.What] += e.Outcome + " "
		if e.Site != site.ID || e.At == 0 {
			t.Errorf("%+v", e)
		}
	}
	for what, outcome := range map[string]string{"join": "ok", "sign in by passphrase": "unauthenticated", "set passphrase": "ok", "revoke device": "ok", "invite": "ok"} {
		if !strings.Contains(said[what], outcome) {
			t.Errorf("%s: %q, want %s", what, said[what], outcome)
		}
	}
	for _, secret := range []string{made.Code, phrase, "wrong passphrase", "Maeve", "Orla", owner.access} {
		if strings.Contains(string(a.body), secret) {
			t.Errorf("%q stands in the record", secret)
		}
	}
	// What strangers try is counted and not noted; what an enrolled phone tries stands in its site's record.
	for range 5 {
		y.ask("POST", "/api/v1/join", "", object{"code": strings.Repeat("Z", 20), "name": "A", "device": object{"public_key": b64(make([]byte, 32))}})
	}
	y.ask("POST", "/api/v1/join", second.access, object{"code": strings.Repeat("Z", 20), "name": "A"})
	var nobodys, tried int
	y.must(y.db.Reader().QueryRow(`SELECT COUNT(*) FROM audit WHERE site_id = ''`).Scan(&nobodys))
	y.must(y.db.Reader().QueryRow(`SELECT COUNT(*) FROM audit WHERE site_id = $1 AND what = 'join' AND outcome = 'not-found' AND device = $2`, site.ID, second.Device).Scan(&tried))
	if nobodys != 0 || tried != 1 {
		t.Errorf("%d events of no site and %d of the phone that tried, want 0 and 1", nobodys, tried)
	}
	stranger := y.enrol(other.ID, rights.Manager, "Petru")
	y.wantRefused("another site's", y.ask("GET", owner.at("/audit"), stranger.access, nil), 404, "site")
}

// After a rotation new tokens carry the new key, old ones hold until they run out, and then the key is gone.
func TestKeyRotation(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	h := y.enrol(site.ID, rights.Crew, "Dan")
	before := h.access
	kid, err := y.accounts.RotateKeys(t.Context(), 15*time.Minute)
	y.must(err)
	y.ok("GET", "/api/v1/me", before, nil, nil)
	// Another node has signed with the new key: this one has not heard of it, and asks.
	stored, err := y.accounts.ServerKeys(t.Context())
	y.must(err)
	var keys []auth.Key
	for _, k := range stored {
		keys = append(keys, auth.Key{ID: k.ID, Private: k.Private, Retired: k.Retired})
	}
	other, err := auth.NewTokens(keys, y.now)
	y.must(err)
	token, err := other.Issue(auth.Claims{Device: h.Device, Site: site.ID, Audience: auth.API})
	y.must(err)
	if kidOf(t, token) != kid {
		t.Fatalf("the other node signs with %s, want %s", kidOf(t, token), kid)
	}
	y.ok("GET", "/api/v1/me", token, nil, nil)
	if got := kidOf(t, h.token()); got != kid {
		t.Errorf("signs with %s, want %s", got, kid)
	}
	y.pass(9 * time.Minute)
	y.ok("GET", "/api/v1/me", before, nil, nil)
	y.pass(7 * time.Minute)
	y.must(y.accounts.DropOldKeys(t.Context(), 15*time.Minute))
	var n int
	y.must(y.db.Reader().QueryRow(`SELECT COUNT(*) FROM server_keys`).Scan(&n))
	if n != 1 {
		t.Errorf("%d keys are left", n)
	}
}

func kidOf(t *testing.T, token string) string {
	t.Helper()
	raw, err := base64.RawURLEncoding.DecodeString(strings.Split(token, ".")[0])
	var h struct{ Kid string }
	if err != nil || json.Unmarshal(raw, &h) != nil {
		t.Fatal("no header")
	}
	return h.Kid
}
