package accounts_test

import (
	"testing"

	"github.com/go-webauthn/webauthn/webauthn"

	"gatewright/api/accounts"
	"gatewright/api/problem"
	"gatewright/schema/rights"
)

// A passkey belongs to one person: its id is not taken from another, nor twice.
func TestPasskeyIsOnesOwn(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	ctx := t.Context()
	var two [2]accounts.Person
	for i := range two {
		var err error
		if two[i], err = h.AddPerson(ctx, s.ID, "Maeve", accounts.Grant{Role: rights.Manager, From: h.ms()}); err != nil {
			t.Fatal(err)
		}
	}
	first, second := two[0], two[1]
	key := webauthn.Credential{ID: []byte("a credential"), PublicKey: []byte{1}}
	if codes, err := h.AddPasskey(ctx, first.ID, "", key, accounts.DeviceAlone); err != nil || len(codes) != 10 {
		t.Fatalf("%v, %v", codes, err)
	}
	for _, person := range []string{first.ID, second.ID} {
		_, err := h.AddPasskey(ctx, person, "", webauthn.Credential{ID: key.ID, PublicKey: []byte{2}}, accounts.SignedIn)
		if problem.From(err).Kind != problem.Conflict {
			t.Errorf("for %s: %v, want a conflict", person, err)
		}
	}
	kept, err := h.Passkeys(ctx, first.ID)
	if err != nil || len(kept) != 1 || kept[0].PublicKey[0] != 1 {
		t.Errorf("kept %v, %v", kept, err)
	}
	if w, err := h.WaysIn(ctx, second.ID); err != nil || !w.None() {
		t.Errorf("the other has %+v, %v", w, err)
	}
}
