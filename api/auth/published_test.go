package auth

import (
	"crypto"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/golang-jwt/jwt/v5"
)

// The library that makes and checks our tokens against signatures that others published: RFC 7515 appendix A.1
// (HMAC; we never accept one, the library must still compute it right) and RFC 8037 appendix A (Ed25519, with the key's
// RFC 7638 thumbprint, which is from memory there and follows from the key).
func TestPublishedSignatures(t *testing.T) {
	b, err := os.ReadFile("../../schema/reference/testdata/cases.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		ID       string
		Input    json.RawMessage
		Expected json.RawMessage
	}
	if err := json.Unmarshal(b, &cases); err != nil {
		t.Fatal(err)
	}
	decode := func(raw []byte, into any) {
		t.Helper()
		if err := json.Unmarshal(raw, into); err != nil {
			t.Fatal(err)
		}
	}
	bytesOf := func(s string) []byte {
		t.Helper()
		b, err := base64.RawURLEncoding.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	found := 0
	for _, c := range cases {
		switch c.ID {
		case "jws-hs256-rfc7515":
			found++
			var in struct {
				SigningInput string `json:"signing_input"`
				K            string
			}
			var want struct{ Signature string }
			decode(c.Input, &in)
			decode(c.Expected, &want)
			if !crypto.SHA256.Available() {
				t.Fatal("no SHA-256")
			}
			if err := jwt.SigningMethodHS256.Verify(in.SigningInput, bytesOf(want.Signature), bytesOf(in.K)); err != nil {
				t.Errorf("RFC 7515 A.1: %v", err)
			}
			if got, err := jwt.SigningMethodHS256.Sign(in.SigningInput, bytesOf(in.K)); err != nil || base64.RawURLEncoding.EncodeToString(got) != want.Signature {
				t.Errorf("RFC 7515 A.1: %x, %v", got, err)
			}
			if jwt.SigningMethodHS256.Verify(in.SigningInput+"x", bytesOf(want.Signature), bytesOf(in.K)) == nil {
				t.Error("RFC 7515 A.1: a changed text passes")
			}
		case "jws-eddsa-rfc8037":
			found++
			var in struct{ D, X, Payload, Header string }
			var want struct{ JWS, Thumbprint string }
			decode(c.Input, &in)
			decode(c.Expected, &want)
			private := ed25519.NewKeyFromSeed(bytesOf(in.D))
			if got := base64.RawURLEncoding.EncodeToString(private.Public().(ed25519.PublicKey)); got != in.X {
				t.Errorf("RFC 8037 A.1: public key %s, want %s", got, in.X)
			}
			cut := strings.LastIndexByte(want.JWS, '.')
			signed, signature := want.JWS[:cut], bytesOf(want.JWS[cut+1:])
			if text := base64.RawURLEncoding.EncodeToString([]byte(in.Header)) + "." + base64.RawURLEncoding.EncodeToString([]byte(in.Payload)); text != signed {
				t.Errorf("RFC 8037 A.4: signs %s, want %s", text, signed)
			}
			if err := jwt.SigningMethodEdDSA.Verify(signed, signature, private.Public()); err != nil {
				t.Errorf("RFC 8037 A.5: %v", err)
			}
			if got, err := jwt.SigningMethodEdDSA.Sign(signed, private); err != nil || string(got) != string(signature) {
				t.Errorf("RFC 8037 A.4: %x, %v", got, err)
			}
			// RFC 7638: the required members in order, hashed.
			sum := sha256.Sum256([]byte(`{"crv":"Ed25519","kty":"OKP","x":"` + in.X + `"}`))
			if got := base64.RawURLEncoding.EncodeToString(sum[:]); got != want.Thumbprint {
				t.Errorf("RFC 8037 A.3: thumbprint %s, want %s", got, want.Thumbprint)
			}
		}
	}
	if found != 2 {
		t.Errorf("%d of 2 published cases found", found)
	}
}
