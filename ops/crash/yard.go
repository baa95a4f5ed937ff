package crash

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"time"
)

// site is one site of the trial with its people's phones.
type site struct {
	index   int
	id      string
	manager *device
	phones  []*handset
	reader  *device // of the phones that look whether everything is there
}

// device is an enrolled device as the API knows it.
type device struct {
	key    ed25519.PrivateKey
	site   string
	id     string
	person string

	token string
	until time.Time

	manages bool // its person signs in as a manager
}

// phrase is the managers' passphrase.
const phrase = "four words for the trial"

var client = &http.Client{
	Transport: &http.Transport{DisableKeepAlives: true, DisableCompression: true},
	Timeout:   30 * time.Second,
}

// refusal is an answer that is no 200.
type refusal struct {
	path   string
	status int
	detail string // of the problem details
	code   string
}

func (r *refusal) Error() string {
	return fmt.Sprintf("%s: %d %s: %s", r.path, r.status, r.code, r.detail)
}

// ask sends a JSON request and reads the answer into out, when that is not nil.
func ask(ctx context.Context, base, method, path, token string, body, out any) error {
	var r io.Reader
	if body != nil {
		raw, err := json.Marshal(body)
		if err != nil {
			return err
		}
		r = bytes.NewReader(raw)
	}
	req, err := http.NewRequestWithContext(ctx, method, base+path, r)
	if err != nil {
		return err
	}
	if r != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := client.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	raw, err := io.ReadAll(res.Body)
	if err != nil {
		return fmt.Errorf("%s %s: %w", method, path, err)
	}
	if res.StatusCode != http.StatusOK {
		var p struct{ Detail, Code string }
		_ = json.Unmarshal(raw, &p)
		return &refusal{method + " " + path, res.StatusCode, p.Detail, p.Code}
	}
	if out == nil {
		return nil
	}
	if err := json.Unmarshal(raw, out); err != nil {
		return fmt.Errorf("%s %s: %w", method, path, err)
	}
	return nil
}

type object = map[string]any

func b64(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// join spends an invitation on a new device.
func join(ctx context.Context, base, code, name string, random io.Reader) (*device, error) {
	public, key, err := ed25519.GenerateKey(random)
	if err != nil {
		return nil, err
	}
	var out struct {
		Device, Person string
		Site           struct{ ID string }
	}
	if err := ask(ctx, base, "POST", "/api/v1/join", "", object{"code": code, "name": name,
		"device": object{"public_key": b64(public), "label": name + "'s phone"}}, &out); err != nil {
		return nil, err
	}
	return &device{key: key, site: out.Site.ID, id: out.Device, person: out.Person}, nil
}

// tokenMargin is how long before its end a token is renewed.
const tokenMargin = 2 * time.Minute

// access gives a token, signed for anew when the last one is nearly over.
func (d *device) access(ctx context.Context, base string) (string, error) {
	if time.Until(d.until) > tokenMargin {
		return d.token, nil
	}
	var c struct{ Challenge string }
	if err := ask(ctx, base, "POST", "/api/v1/auth/challenge", "", object{"device": d.id}, &c); err != nil {
		return "", err
	}
	var out struct {
		AccessToken string `json:"access_token"`
		ExpiresIn   int    `json:"expires_in"`
	}
	signature := ed25519.Sign(d.key, []byte("gatewright challenge v1\n"+d.id+"\n"+c.Challenge))
	if err := ask(ctx, base, "POST", "/api/v1/auth/token", "", object{"device": d.id, "challenge": c.Challenge,
		"signature": b64(signature), "clock": time.Now().UnixMilli()}, &out); err != nil {
		return "", err
	}
	if d.manages {
		if err := d.signIn(ctx, base, out.AccessToken, &out); err != nil {
			return "", err
		}
	}
	d.token, d.until = out.AccessToken, time.Now().Add(time.Duration(out.ExpiresIn)*time.Second)
	return d.token, nil
}

// signIn asks for a token that names the manager. The passphrase is set the first time, and once more when the
// database has lost it.
func (d *device) signIn(ctx context.Context, base, token string, out any) error {
	who := object{"person": d.person, "passphrase": phrase}
	err := ask(ctx, base, "POST", "/api/v1/auth/passphrase/login", token, who, out)
	if refused := (*refusal)(nil); !errors.As(err, &refused) || refused.status != http.StatusUnauthorized {
		return err
	}
	if err := ask(ctx, base, "POST", "/api/v1/auth/passphrase/set", token, who, nil); err != nil {
		return err
	}
	return ask(ctx, base, "POST", "/api/v1/auth/passphrase/login", token, who, out)
}

// socket gives the address of a socket with a fresh ticket in it.
func (d *device) socket(ctx context.Context, base string) (string, error) {
	token, err := d.access(ctx, base)
	if err != nil {
		return "", err
	}
	var out struct{ Socket string }
	if err := ask(ctx, base, "POST", "/api/v1/sites/"+d.site+"/tickets", token, nil, &out); err != nil {
		return "", err
	}
	return "ws" + base[len("http"):] + out.Socket, nil
}

var joinLink = regexp.MustCompile(`/join#([0-9A-HJKMNP-TV-Z]{20})\b`)

// settle makes a site and enrols its manager from the console's link, the others by the manager's invitations.
func (t *Trial) settle(ctx context.Context, index int, phones int) error {
	printed, err := t.console(ctx, "site", "--slug", fmt.Sprintf("yard-%d", index), "--name", fmt.Sprintf("Alder Yard %d", index), "--zone", "Europe/Dublin")
	if err != nil {
		return err
	}
	link := joinLink.FindStringSubmatch(printed)
	if link == nil {
		return fmt.Errorf("making a site printed no invitation: %q", printed)
	}
	base := t.server.base
	s := &site{index: index}
	if s.manager, err = join(ctx, base, link[1], "Orla Quill", t.secrets); err != nil {
		return err
	}
	s.id, s.manager.manages = s.manager.site, true
	t.sites = append(t.sites, s)
	for range phones {
		d, err := t.enrol(ctx, s)
		if err != nil {
			return err
		}
		h, err := t.newHandset(s, d)
		if err != nil {
			return err
		}
		s.phones = append(s.phones, h)
	}
	return nil
}

// enrol adds a device of the crew to a site.
func (t *Trial) enrol(ctx context.Context, s *site) (*device, error) {
	token, err := s.manager.access(ctx, t.server.base)
	if err != nil {
		return nil, err
	}
	var invited struct{ Code string }
	if err := ask(ctx, t.server.base, "POST", "/api/v1/sites/"+s.id+"/invitations", token, object{"role": "crew"}, &invited); err != nil {
		return nil, err
	}
	t.people++
	return join(ctx, t.server.base, invited.Code, fmt.Sprintf("Crew %d", t.people), t.secrets)
}
