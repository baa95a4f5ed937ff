// Package auth makes and checks the short-lived access tokens that devices send as bearer: JWTs after RFC 7519
// with the practice of RFC 8725 (one algorithm, issuer, audience, expiry and type all required), signed with the
// server's Ed25519 keys (RFC 8037). There are no cookies, hence nothing for another site to ride on.
package auth

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"gatewright/api/problem"
)

// TokenLife is how long an access token holds.
const TokenLife = 10 * time.Minute

// KeyLife is how long a retired key still verifies: its last tokens' life, and the time in which every running server
// has heard of the new one.
const KeyLife = TokenLife + 5*time.Minute

const (
	issuer    = "gatewright"
	tokenType = "at+jwt" // RFC 9068
)

// Audience says what a token may be used for.
type Audience string

// The audiences: the whole API, or only to hand over what a revoked device still holds.
const (
	API   Audience = "gatewright-api"
	Drain Audience = "gatewright-drain"
)

// Key is a signing key with its id; retired ones still verify until their tokens have run out.
type Key struct {
	ID      string
	Private ed25519.PrivateKey
	Retired bool
}

// Tokens makes and checks access tokens. It is safe for concurrent use.
type Tokens struct {
	keys atomic.Pointer[[]Key]
	now  func() time.Time
}

// NewTokens needs at least one key that is not retired.
func NewTokens(keys []Key, now func() time.Time) (*Tokens, error) {
	t := &Tokens{now: now}
	if err := t.SetKeys(keys); err != nil {
		return nil, err
	}
	return t, nil
}

// SetKeys takes other keys, newest first: those that another node or the console made, without those that are gone.
func (t *Tokens) SetKeys(keys []Key) error {
	for _, k := range keys {
		if !k.Retired {
			keys = slices.Clone(keys)
			t.keys.Store(&keys)
			return nil
		}
	}
	return errors.New("auth: no signing key")
}

// Knows says whether a token names a key that is here; who does not know it may ask the database for it.
func (t *Tokens) Knows(token string) bool {
	parsed, _, err := jwt.NewParser().ParseUnverified(token, &claims{})
	if err != nil {
		return true // no key would make it a token
	}
	kid, _ := parsed.Header["kid"].(string)
	return slices.ContainsFunc(*t.keys.Load(), func(k Key) bool { return k.ID == kid })
}

// Claims is what a token says.
type Claims struct {
	Device   string
	Site     string
	Audience Audience
	// Person is who has signed in on the device, as managers do; empty when the token speaks for the device alone.
	Person string
}

// claims are the claims as they stand in a token. Instants are whole seconds: the library's own type takes any
// number and lets large ones wrap around, so that "not before the year 10^13" would hold today.
type claims struct {
	Issuer    string           `json:"iss"`
	Subject   string           `json:"sub"`
	Audience  jwt.ClaimStrings `json:"aud"`
	Expires   *seconds         `json:"exp"`
	NotBefore *seconds         `json:"nbf,omitempty"`
	Issued    *seconds         `json:"iat,omitempty"`
	ID        string           `json:"jti,omitempty"`
	Site      string           `json:"site"`
	Person    string           `json:"per,omitempty"`
}

// seconds is an instant in seconds since 1970.
type seconds int64

// lastSecond is in the year 9999.
const lastSecond = 253402300799

func (s *seconds) UnmarshalJSON(raw []byte) error {
	var n int64
	if err := json.Unmarshal(raw, &n); err != nil || n < 0 || n > lastSecond {
		return errors.New("an instant that is none")
	}
	*s = seconds(n)
	return nil
}

func (s *seconds) date() (*jwt.NumericDate, error) {
	if s == nil {
		return nil, nil
	}
	return jwt.NewNumericDate(time.Unix(int64(*s), 0)), nil
}

func secondsOf(t time.Time) *seconds {
	s := seconds(t.Unix())
	return &s
}

func (c claims) GetExpirationTime() (*jwt.NumericDate, error) { return c.Expires.date() }
func (c claims) GetNotBefore() (*jwt.NumericDate, error)      { return c.NotBefore.date() }
func (c claims) GetIssuedAt() (*jwt.NumericDate, error)       { return c.Issued.date() }
func (c claims) GetAudience() (jwt.ClaimStrings, error)       { return c.Audience, nil }
func (c claims) GetIssuer() (string, error)                   { return c.Issuer, nil }
func (c claims) GetSubject() (string, error)                  { return c.Subject, nil }

// Issue signs a token for a device.
func (t *Tokens) Issue(c Claims) (string, error) {
	id := make([]byte, 16)
	if _, err := rand.Read(id); err != nil {
		return "", fmt.Errorf("drawing a token id: %w", err)
	}
	now := t.now()
	token := jwt.NewWithClaims(jwt.SigningMethodEdDSA, claims{
		Site: c.Site, Person: c.Person, Issuer: issuer, Subject: c.Device, Audience: jwt.ClaimStrings{string(c.Audience)},
		Issued: secondsOf(now), NotBefore: secondsOf(now), Expires: secondsOf(now.Add(TokenLife)),
		ID: base64.RawURLEncoding.EncodeToString(id),
	})
	for _, k := range *t.keys.Load() {
		if !k.Retired {
			token.Header["kid"], token.Header["typ"] = k.ID, tokenType
			return token.SignedString(k.Private)
		}
	}
	return "", errors.New("auth: no signing key")
}

// Check verifies a token for one audience and gives what it says.
func (t *Tokens) Check(token string, audience Audience) (Claims, error) {
	refused := func(cause error) error {
		return &problem.Error{Kind: problem.Unauthenticated, Field: "Authorization",
			Sentence: "Authorization needs a valid access token of this server: ask for a new one.", Cause: cause}
	}
	var c claims
	parsed, err := jwt.ParseWithClaims(token, &c, t.keyOf,
		jwt.WithValidMethods([]string{jwt.SigningMethodEdDSA.Alg()}),
		jwt.WithIssuer(issuer), jwt.WithAudience(string(audience)),
		jwt.WithExpirationRequired(), jwt.WithIssuedAt(), jwt.WithTimeFunc(t.now), jwt.WithStrictDecoding())
	if err != nil {
		return Claims{}, refused(err)
	}
	if err := exactNames(token); err != nil {
		return Claims{}, refused(err)
	}
	if !parsed.Valid || c.Subject == "" || c.Site == "" {
		return Claims{}, refused(errors.New("claims are missing"))
	}
	return Claims{Device: c.Subject, Site: c.Site, Audience: audience, Person: c.Person}, nil
}

// claimNames are the claims that Issue writes. Go reads the names in JSON whatever their case, other readers do not:
// what two readers may read in two ways is no token of ours.
var claimNames = []string{"iss", "sub", "aud", "exp", "nbf", "iat", "jti", "site", "per"}

func exactNames(token string) error {
	payload, err := base64.RawURLEncoding.DecodeString(strings.Split(token, ".")[1]) // it was read as a token
	var names map[string]json.RawMessage
	if err == nil {
		err = json.Unmarshal(payload, &names)
	}
	for name := range names {
		if !slices.Contains(claimNames, name) {
			return fmt.Errorf("claim %q is unknown", name)
		}
	}
	return err
}

func (t *Tokens) keyOf(token *jwt.Token) (any, error) {
	if typ, _ := token.Header["typ"].(string); typ != tokenType {
		return nil, errors.New("typ is not at+jwt")
	}
	kid, _ := token.Header["kid"].(string)
	for _, k := range *t.keys.Load() {
		if k.ID == kid {
			return k.Private.Public(), nil
		}
	}
	return nil, errors.New("kid is unknown")
}

// ChallengeMessage is what a device signs to prove that it holds its key: the words bind the signature to this
// use, so that it can't be replayed as a signature of anything else.
func ChallengeMessage(device, challenge string) []byte {
	return []byte("gatewright challenge v1\n" + device + "\n" + challenge)
}

// VerifyChallenge checks a device's signature over its challenge.
func VerifyChallenge(key ed25519.PublicKey, device, challenge string, signature []byte) error {
	if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, ChallengeMessage(device, challenge), signature) {
		return problem.New(problem.Unauthenticated, "signature", "signature does not match the device's key.")
	}
	return nil
}
