package httpapi_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gofiber/fiber/v2"

	"gatewright/api/accounts"
	"gatewright/api/auth"
	"gatewright/api/httpapi"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// yard is a running server with a database of its own and a clock that the test sets.
type yard struct {
	t        testing.TB
	path     string
	clock    atomic.Int64 // ms
	phone    fs.FS
	db       store
	accounts *accounts.Accounts
	hub      *hub.Runner
	app      *fiber.App
	base     string

	configure func(*httpapi.Config) // what a test wants otherwise; may be nil
}

func newYard(t testing.TB, phone fs.FS) *yard {
	t.Helper()
	return newYardWith(t, &yard{phone: phone})
}

func newYardWith(t testing.TB, y *yard) *yard {
	t.Helper()
	y.t, y.path = t, engine.Fresh(t)
	y.clock.Store(time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC).UnixMilli())
	y.start()
	t.Cleanup(func() {
		if y.app != nil {
			y.stop()
		}
	})
	return y
}

func (y *yard) now() time.Time { return time.UnixMilli(y.clock.Load()).UTC() }

func (y *yard) pass(d time.Duration) { y.clock.Add(d.Milliseconds()) }

func (y *yard) must(err error) {
	y.t.Helper()
	if err != nil {
		y.t.Fatal(err)
	}
}

func (y *yard) start() {
	y.t.Helper()
	ctx := context.Background()
	var err error
	y.db, err = engine.Open(y.t, y.path)
	y.must(err)
	y.accounts = accounts.New(y.db, y.now)
	storage, err := y.accounts.Setting(ctx, "storage_id")
	y.must(err)
	if storage == "" {
		storage = "1d6ab7c5-5b35-4b7c-8b4b-4f3f2f8f2a10"
		y.must(y.accounts.SetSetting(ctx, "storage_id", storage))
	}
	y.hub = hub.NewRunner(y.db, hub.Config{StorageID: storage, Now: y.now, RestoreUntil: y.accounts.RestoreUntil, TickEvery: 20 * time.Millisecond}, slog.New(slog.DiscardHandler))
	stored, err := y.accounts.ServerKeys(ctx)
	y.must(err)
	keys := make([]auth.Key, len(stored))
	for i, k := range stored {
		keys[i] = auth.Key{ID: k.ID, Private: k.Private, Retired: k.Retired}
	}
	tokens, err := auth.NewTokens(keys, y.now)
	y.must(err)
	cfg := httpapi.Config{Accounts: y.accounts, Tokens: tokens, Hub: y.hub, Store: y.db, Phone: y.phone,
		Origin: "https://gates.example", Version: "test", Now: y.now,
		Ready: func(ctx context.Context) error { return y.db.Reader().PingContext(ctx) },
		Log:   slog.New(slog.NewTextHandler(y.t.Output(), nil))}
	if y.configure != nil {
		y.configure(&cfg)
	}
	y.app = httpapi.New(cfg)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	y.must(err)
	y.base = "http://" + l.Addr().String()
	app := y.app
	go func() { _ = app.Listener(l) }()
}

func (y *yard) stop() {
	y.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	begun := time.Now()
	y.must(y.hub.Close(ctx))
	y.must(y.app.ShutdownWithContext(ctx))
	if d := time.Since(begun); d > 6*time.Second { // a peer that does not listen is not waited for
		y.t.Errorf("stopping took %v", d)
	}
	y.must(y.db.Close())
	y.app = nil
}

// answer is an HTTP answer that has been read.
type answer struct {
	status int
	header http.Header
	body   []byte
}

func (a answer) String() string { return fmt.Sprintf("%d %s", a.status, a.body) }

// ask sends a request. A body that is no string goes as JSON; a token, when given, as bearer.
func (y *yard) ask(method, path, token string, body any) answer {
	y.t.Helper()
	if size, ok := body.(tooLarge); ok {
		return y.announce(method, path, token, int(size))
	}
	var r io.Reader
	switch b := body.(type) {
	case nil:
	case string:
		r = strings.NewReader(b)
	default:
		raw, err := json.Marshal(b)
		y.must(err)
		r = bytes.NewReader(raw)
	}
	req, err := http.NewRequest(method, y.base+path, r)
	y.must(err)
	if r != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	return y.send(req)
}

// tooLarge is a body of so many bytes, announced and not sent.
type tooLarge int

// announce sends a request up to its body. The server answers by the announced size alone and then closes: bytes
// still on their way would make the system reset the connection, now and then before the answer is read.
func (y *yard) announce(method, path, token string, size int) answer {
	y.t.Helper()
	c, err := net.Dial("tcp", strings.TrimPrefix(y.base, "http://"))
	y.must(err)
	defer c.Close()
	y.must(c.SetDeadline(time.Now().Add(30 * time.Second)))
	head := method + " " + path + " HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: " + strconv.Itoa(size) + "\r\n"
	if token != "" {
		head += "Authorization: Bearer " + token + "\r\n"
	}
	_, err = io.WriteString(c, head+"\r\n")
	y.must(err)
	res, err := http.ReadResponse(bufio.NewReader(c), nil)
	y.must(err)
	defer res.Body.Close()
	raw, err := io.ReadAll(res.Body)
	y.must(err)
	y.checkHeaders(method+" "+path, res.Header)
	return answer{res.StatusCode, res.Header, raw}
}

var client = &http.Client{Transport: &http.Transport{DisableKeepAlives: true, DisableCompression: true}, Timeout: 30 * time.Second}

func (y *yard) send(req *http.Request) answer {
	y.t.Helper()
	res, err := client.Do(req)
	y.must(err)
	defer res.Body.Close()
	raw, err := io.ReadAll(res.Body)
	y.must(err)
	y.checkHeaders(req.Method+" "+req.URL.Path, res.Header)
	return answer{res.StatusCode, res.Header, raw}
}

// checkHeaders holds for every answer of every test.
func (y *yard) checkHeaders(what string, h http.Header) {
	y.t.Helper()
	csp := h.Get("Content-Security-Policy")
	if !strings.HasPrefix(csp, "default-src 'none'; script-src 'self' 'wasm-unsafe-eval';") || !strings.Contains(csp, "object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'") || strings.Contains(csp, "unsafe-inline") || strings.Contains(csp, "'unsafe-eval'") {
		y.t.Errorf("%s: Content-Security-Policy is %q", what, csp)
	}
	for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Cross-Origin-Opener-Policy": "same-origin"} {
		if got := h.Get(name); got != want {
			y.t.Errorf("%s: %s is %q, want %q", what, name, got, want)
		}
	}
	if strings.Contains(what, " /api/") && h.Get("Cache-Control") != "no-store" {
		y.t.Errorf("%s: Cache-Control is %q", what, h.Get("Cache-Control"))
	}
	for _, header := range []string{"Access-Control-Allow-Origin", "Server", "X-Powered-By"} {
		if got := h.Get(header); got != "" {
			y.t.Errorf("%s: %s is %q", what, header, got)
		}
	}
	if c := h.Get("Set-Cookie"); c != "" {
		y.t.Errorf("%s: a cookie: %q", what, c)
	}
}

// get asks, wants 200 and reads the answer into out.
func (y *yard) ok(method, path, token string, body, out any) answer {
	y.t.Helper()
	a := y.ask(method, path, token, body)
	if a.status != http.StatusOK {
		y.t.Fatalf("%s %s: %s, want 200", method, path, a)
	}
	if out != nil {
		if err := json.Unmarshal(a.body, out); err != nil {
			y.t.Fatalf("%s %s: %s: %v", method, path, a, err)
		}
	}
	return a
}

// refusal is problem details.
type refusal struct {
	Type, Title, Detail, Field, Code string
	Status                           int
}

// wantRefused checks that an answer is a problem of the status, about the field, in one sentence that names it.
func (y *yard) wantRefused(what string, a answer, status int, field string) {
	y.t.Helper()
	var p refusal
	if err := json.Unmarshal(a.body, &p); err != nil || a.header.Get("Content-Type") != "application/problem+json" {
		y.t.Errorf("%s: %s of type %q, want problem details", what, a, a.header.Get("Content-Type"))
		return
	}
	if a.status != status || p.Status != status || p.Field != field {
		y.t.Errorf("%s: %s; want %d about %q", what, a, status, field)
	}
	if p.Type != "about:blank" || p.Title != http.StatusText(status) || p.Code == "" {
		y.t.Errorf("%s: %s: type, title or code is wrong", what, a)
	}
	if !strings.HasSuffix(p.Detail, ".") || strings.Count(p.Detail, ". ") > 0 || strings.ContainsAny(p.Detail, "\n{}") || len(p.Detail) > 200 {
		y.t.Errorf("%s: %q is not one sentence for a person", what, p.Detail)
	}
	if (status == http.StatusBadRequest || status == http.StatusUnprocessableEntity) && field != "" && !strings.Contains(p.Detail, field) {
		y.t.Errorf("%s: %q does not name %s", what, p.Detail, field)
	}
}

var tables = []string{"sites", "people", "grants", "devices", "device_people", "invitations", "challenges", "tickets",
	"server_keys", "settings", "documents", "changes", "entries", "actors", "held", "quarantine", "passkeys", "passphrases", "recovery_codes"}

// rows counts what every table holds.
func (y *yard) rows() string {
	y.t.Helper()
	var out strings.Builder
	for _, table := range tables {
		var n int
		y.must(y.db.Reader().QueryRow(`SELECT COUNT(*) FROM ` + table).Scan(&n))
		fmt.Fprintf(&out, "%s %d\n", table, n)
	}
	var spent, revoked, ended, decided int
	y.must(y.db.Reader().QueryRow(`SELECT (SELECT COUNT(*) FROM invitations WHERE spent_at IS NOT NULL), (SELECT COUNT(*) FROM devices WHERE revoked_at IS NOT NULL),
		(SELECT COUNT(*) FROM grants WHERE until_at IS NOT NULL), (SELECT COUNT(*) FROM quarantine WHERE resolved_at IS NOT NULL)`).Scan(&spent, &revoked, &ended, &decided))
	fmt.Fprintf(&out, "spent %d revoked %d ended %d decided %d\n", spent, revoked, ended, decided)
	return out.String()
}

func (y *yard) site(slug string) accounts.Site {
	y.t.Helper()
	s, err := y.accounts.CreateSite(y.t.Context(), slug, "Sallow Brook", "Europe/Dublin")
	y.must(err)
	return s
}

func (y *yard) invitation(site string, role rights.Role) string {
	y.t.Helper()
	made, err := y.accounts.Invite(y.t.Context(), accounts.Invitation{Site: site, Role: role, Owner: role == rights.Manager, Expires: y.now().Add(accounts.InviteLife).UnixMilli()}, "console")
	y.must(err)
	return made.Code
}

// handset is a phone of the test: a key pair and what the server gave it.
type handset struct {
	y       *yard
	key     ed25519.PrivateKey
	Device  string
	Person  string
	Role    string
	Name    string
	Site    accounts.Site
	skew    time.Duration // the phone's clock minus the server's
	access  string
	drained bool
}

func b64(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

type object = map[string]any

// enrol joins a new phone by HTTP and fetches its first token.
func (y *yard) enrol(site string, role rights.Role, name string) *handset {
	y.t.Helper()
	h := y.enrolBy(y.invitation(site, role), name)
	if role == rights.Manager {
		h.signIn()
	}
	return h
}

// enrolBy joins a new phone by a code; its token speaks for the phone alone.
func (y *yard) enrolBy(code, name string) *handset {
	y.t.Helper()
	public, key, err := ed25519.GenerateKey(nil)
	y.must(err)
	h := &handset{y: y, key: key}
	y.ok("POST", "/api/v1/join", "", object{"code": code, "name": name,
		"device": object{"public_key": b64(public), "label": name + "'s phone"}}, h)
	h.access = h.device()
	return h
}

// sign gives the body of a token request for a fresh challenge.
func (h *handset) sign() object {
	h.y.t.Helper()
	var c struct{ Challenge string }
	h.y.ok("POST", "/api/v1/auth/challenge", "", object{"device": h.Device}, &c)
	signature := ed25519.Sign(h.key, []byte("gatewright challenge v1\n"+h.Device+"\n"+c.Challenge))
	return object{"device": h.Device, "challenge": c.Challenge, "signature": b64(signature), "clock": h.y.now().Add(h.skew).UnixMilli()}
}

func (h *handset) token() string {
	h.y.t.Helper()
	var out struct {
		AccessToken string `json:"access_token"`
		TokenType   string `json:"token_type"`
		ExpiresIn   int    `json:"expires_in"`
		ServerTime  int64  `json:"server_time"`
		Drain       bool
	}
	h.y.ok("POST", "/api/v1/auth/token", "", h.sign(), &out)
	if out.TokenType != "Bearer" || out.ExpiresIn != 600 || out.ServerTime != h.y.clock.Load() {
		h.y.t.Errorf("token: %+v", out)
	}
	h.access, h.drained = out.AccessToken, out.Drain
	if h.Role == string(rights.Manager) && !out.Drain {
		h.signIn()
	}
	return h.access
}

const phrase = "four words for a test"

// signIn gives the manager on the phone a token that names them.
func (h *handset) signIn() {
	h.y.t.Helper()
	var ways struct {
		Setup bool `json:"needs_setup"`
	}
	h.y.ok("GET", "/api/v1/auth/person/"+h.Person, h.access, nil, &ways)
	if ways.Setup {
		h.y.ok("POST", "/api/v1/auth/passphrase/set", h.access, object{"person": h.Person, "passphrase": phrase}, nil)
	}
	var out struct {
		AccessToken string `json:"access_token"`
	}
	h.y.ok("POST", "/api/v1/auth/passphrase/login", h.access, object{"person": h.Person, "passphrase": phrase}, &out)
	h.access = out.AccessToken
}

func (h *handset) at(path string) string { return "/api/v1/sites/" + h.Site.ID + path }
