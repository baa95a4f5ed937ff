package auth

import (
	"crypto/ed25519"
	"encoding/base64"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
)

var at = time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)

func tokens(t *testing.T, now time.Time, keys ...Key) *Tokens {
	t.Helper()
	tk, err := NewTokens(keys, func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	return tk
}

func key(id string, seed byte) Key {
	return Key{ID: id, Private: ed25519.NewKeyFromSeed([]byte(strings.Repeat(string(rune(seed)), 32)))}
}

func TestTokenRoundTrip(t *testing.T) {
	tk := tokens(t, at, key("k1", 'a'))
	want := Claims{Device: "dabc", Site: "s1", Audience: API}
	s, err := tk.Issue(want)
	if err != nil {
		t.Fatal(err)
	}
	got, err := tk.Check(s, API)
	if err != nil || got != want {
		t.Fatalf("got %+v, %v; want %+v", got, err, want)
	}
	later := tokens(t, at.Add(TokenLife-time.Second), key("k1", 'a'))
	if _, err := later.Check(s, API); err != nil {
		t.Errorf("one second before its end: %v", err)
	}
}

// Refused tokens: the attacks that RFC 8725 sections 2 and 3 name, and the plain failures.
func TestTokenRefused(t *testing.T) {
	k1, k2 := key("k1", 'a'), key("k2", 'b')
	good := func(mutate func(*jwt.Token, *claims)) string {
		c := claims{Site: "s1", Issuer: issuer, Subject: "dabc", Audience: jwt.ClaimStrings{string(API)},
			Issued: secondsOf(at), NotBefore: secondsOf(at), Expires: secondsOf(at.Add(TokenLife))}
		tok := jwt.NewWithClaims(jwt.SigningMethodEdDSA, &c)
		tok.Header["kid"], tok.Header["typ"] = "k1", tokenType
		if mutate != nil {
			mutate(tok, &c)
		}
		var signer any = k1.Private
		switch tok.Method {
		case jwt.SigningMethodHS256: // algorithm confusion: the public key as an HMAC secret
			signer = []byte(k1.Private.Public().(ed25519.PublicKey))
		case jwt.SigningMethodNone:
			signer = jwt.UnsafeAllowNoneSignatureType
		}
		s, err := tok.SignedString(signer)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	tk := tokens(t, at, k1, k2)
	if _, err := tk.Check(good(nil), API); err != nil {
		t.Fatalf("the unchanged token: %v", err)
	}
	other := good(nil)
	parts := strings.Split(other, ".")
	cases := map[string]string{
		"empty":           "",
		"not a token":     "abc",
		"none":            good(func(k *jwt.Token, _ *claims) { k.Method = jwt.SigningMethodNone; k.Header["alg"] = "none" }),
		"hmac confusion":  good(func(k *jwt.Token, _ *claims) { k.Method = jwt.SigningMethodHS256; k.Header["alg"] = "HS256" }),
		"unknown kid":     good(func(k *jwt.Token, _ *claims) { k.Header["kid"] = "k9" }),
		"another's kid":   good(func(k *jwt.Token, _ *claims) { k.Header["kid"] = "k2" }),
		"no kid":          good(func(k *jwt.Token, _ *claims) { delete(k.Header, "kid") }),
		"plain JWT type":  good(func(k *jwt.Token, _ *claims) { k.Header["typ"] = "JWT" }),
		"no type":         good(func(k *jwt.Token, _ *claims) { delete(k.Header, "typ") }),
		"wrong issuer":    good(func(_ *jwt.Token, c *claims) { c.Issuer = "elsewhere" }),
		"wrong audience":  good(func(_ *jwt.Token, c *claims) { c.Audience = jwt.ClaimStrings{string(Drain)} }),
		"no audience":     good(func(_ *jwt.Token, c *claims) { c.Audience = nil }),
		"expired":         good(func(_ *jwt.Token, c *claims) { c.Expires = secondsOf(at) }),
		"no expiry":       good(func(_ *jwt.Token, c *claims) { c.Expires = nil }),
		"not yet":         good(func(_ *jwt.Token, c *claims) { c.NotBefore = secondsOf(at.Add(time.Minute)) }),
		"issued later":    good(func(_ *jwt.Token, c *claims) { c.Issued = secondsOf(at.Add(time.Minute)) }),
		"no subject":      good(func(_ *jwt.Token, c *claims) { c.Subject = "" }),
		"no site":         good(func(_ *jwt.Token, c *claims) { c.Site = "" }),
		"changed payload": parts[0] + "." + base64.RawURLEncoding.EncodeToString([]byte(`{"iss":"gatewright"}`)) + "." + parts[2],
		"cut signature":   other[:len(other)-2],
	}
	for name, token := range cases {
		if c, err := tk.Check(token, API); err == nil {
			t.Errorf("%s: accepted as %+v", name, c)
		}
	}
}

func TestRetiredKeyVerifiesButDoesNotSign(t *testing.T) {
	old, fresh := key("k1", 'a'), key("k2", 'b')
	s, err := tokens(t, at, old).Issue(Claims{Device: "d", Site: "s", Audience: API})
	if err != nil {
		t.Fatal(err)
	}
	old.Retired = true
	both := tokens(t, at, old, fresh)
	if _, err := both.Check(s, API); err != nil {
		t.Errorf("a token of the retired key: %v", err)
	}
	s2, err := both.Issue(Claims{Device: "d", Site: "s", Audience: API})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tokens(t, at, fresh).Check(s2, API); err != nil {
		t.Errorf("a new token is not of the fresh key: %v", err)
	}
	if _, err := NewTokens([]Key{old}, time.Now); err == nil {
		t.Error("retired keys alone were taken as enough")
	}
}

func TestChallenge(t *testing.T) {
	k := key("", 'c')
	pub := k.Private.Public().(ed25519.PublicKey)
	sig := ed25519.Sign(k.Private, ChallengeMessage("d1", "xyz"))
	if err := VerifyChallenge(pub, "d1", "xyz", sig); err != nil {
		t.Error(err)
	}
	for name, err := range map[string]error{
		"other device":    VerifyChallenge(pub, "d2", "xyz", sig),
		"other challenge": VerifyChallenge(pub, "d1", "xyy", sig),
		"no key":          VerifyChallenge(nil, "d1", "xyz", sig),
		"no signature":    VerifyChallenge(pub, "d1", "xyz", nil),
	} {
		if err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
