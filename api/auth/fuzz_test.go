package auth

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"gatewright/api/problem"
)

// signed makes a token of any header and payload, with a good signature.
func signed(k Key, header, payload string) string {
	b64 := base64.RawURLEncoding.EncodeToString
	text := b64([]byte(header)) + "." + b64([]byte(payload))
	return text + "." + b64(ed25519.Sign(k.Private, []byte(text)))
}

// believable is the shortest reading of what a token must be, with nothing of the library: signed with the key
// it names, of our type and issuer, for the audience, and of this moment.
func believable(t *testing.T, token string, keys map[string]ed25519.PublicKey, audience Audience, now time.Time) (Claims, bool) {
	t.Helper()
	parts := strings.Split(token, ".")
	if len(parts) != 3 {
		return Claims{}, false
	}
	var raw [3][]byte
	for i, p := range parts {
		var err error
		if raw[i], err = base64.RawURLEncoding.Strict().DecodeString(p); err != nil {
			return Claims{}, false
		}
	}
	var header struct{ Alg, Typ, Kid any }
	var payload struct {
		Iss, Sub, Site any
		Aud            any
		Exp, Nbf, Iat  *float64
	}
	if json.Unmarshal(raw[0], &header) != nil || json.Unmarshal(raw[1], &payload) != nil {
		return Claims{}, false
	}
	kid, _ := header.Kid.(string)
	key := keys[kid]
	if key == nil || header.Alg != "EdDSA" || header.Typ != "at+jwt" || !ed25519.Verify(key, []byte(parts[0]+"."+parts[1]), raw[2]) {
		return Claims{}, false
	}
	at := float64(now.UnixMicro()) / 1e6
	switch {
	case payload.Iss != "gatewright", payload.Exp == nil || *payload.Exp <= at-1, payload.Nbf != nil && *payload.Nbf >= at+1,
		payload.Iat != nil && *payload.Iat >= at+1:
		return Claims{}, false
	}
	found := payload.Aud == string(audience)
	if list, ok := payload.Aud.([]any); ok {
		for _, a := range list {
			found = found || a == string(audience)
		}
	}
	sub, _ := payload.Sub.(string)
	site, _ := payload.Site.(string)
	return Claims{Device: sub, Site: site, Audience: audience}, found && sub != "" && site != ""
}

// FuzzCheck: whatever is sent as a token is turned down with the one public sentence, or is believable by a
// second reading that says the same. The second and third argument come with a good signature, which lets a
// mutation reach what lies behind it.
func FuzzCheck(f *testing.F) {
	k1, k2 := key("k1", 'a'), key("k2", 'b')
	k2.Retired = true
	tk, err := NewTokens([]Key{k1, k2}, func() time.Time { return at })
	if err != nil {
		f.Fatal(err)
	}
	keys := map[string]ed25519.PublicKey{"k1": k1.Private.Public().(ed25519.PublicKey), "k2": k2.Private.Public().(ed25519.PublicKey)}
	good, err := tk.Issue(Claims{Device: "dabc", Site: "s1", Audience: API})
	if err != nil {
		f.Fatal(err)
	}
	for _, header := range []string{
		`{"alg":"EdDSA","kid":"k1","typ":"at+jwt"}`, `{"alg":"none","typ":"at+jwt"}`, `{"alg":"HS256","kid":"k1","typ":"at+jwt"}`,
		`{"alg":"EdDSA","kid":"k2","typ":"at+jwt"}`, `{"alg":"EdDSA","kid":["k1"],"typ":"at+jwt","crit":["x"]}`,
	} {
		for _, payload := range []string{
			`{"iss":"gatewright","sub":"dabc","aud":["gatewright-api"],"exp":1795586999,"nbf":1764050399,"iat":1764050399,"site":"s1"}`,
			`{"iss":"gatewright","sub":"dabc","aud":"gatewright-api","exp":1e999,"site":"s1"}`,
			`{"iss":"gatewright","iss":"x","sub":5,"aud":[7],"exp":"never","site":null}`, `[]`, `{"exp":-1}`,
		} {
			f.Add(good, header, payload)
		}
	}
	// An instant so late that it wraps around to an early one.
	f.Add("", `{"alg":"EdDSA","kid":"k1","typ":"at+jwt"}`,
		`{"iss":"gatewright","sub":"0000","aud":["gatewright-api"],"exp":1797000000,"nbf":1000000000000000000000,"site":"00"}`)
	f.Add("..", "", "")
	f.Add(good+"=", "null", "null")
	f.Fuzz(func(t *testing.T, raw, header, payload string) {
		for _, token := range []string{raw, signed(k1, header, payload), signed(k2, header, payload)} {
			for _, audience := range []Audience{API, Drain} {
				got, err := tk.Check(token, audience)
				if err != nil {
					var p *problem.Error
					if got != (Claims{}) || !errors.As(err, &p) || p.Kind != problem.Unauthenticated || p.Field != "Authorization" || strings.Contains(p.Sentence, "\n") {
						t.Fatalf("%q: %+v, %#v", token, got, err)
					}
					continue
				}
				if want, ok := believable(t, token, keys, audience, at); !ok || want != got {
					t.Fatalf("%q was believed: %+v, the second reading says %+v, %v", token, got, want, ok)
				}
			}
		}
	})
}
