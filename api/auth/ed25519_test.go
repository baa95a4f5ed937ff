package auth

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"testing"
)

// RFC 8032 section 7.1, tests 1 to 3 and SHA(abc): key, public key, message and signature. They are written from memory,
// one digit of the last public key put right by a public copy: public key and signature follow from the key, so that a slip
// fails.
func TestPublishedEd25519(t *testing.T) {
	un := func(s string) []byte {
		t.Helper()
		b, err := hex.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for _, c := range [][4]string{
		{"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60", "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "",
			"e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"},
		{"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb", "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72",
			"92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"},
		{"c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7", "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82",
			"6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"},
		{"833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42", "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
			"ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
			"dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704"},
	} {
		private := ed25519.NewKeyFromSeed(un(c[0]))
		public, message, signature := un(c[1]), un(c[2]), un(c[3])
		if !bytes.Equal(private.Public().(ed25519.PublicKey), public) {
			t.Errorf("the public key of %s is %x, want %x", c[0], private.Public(), public)
		}
		if got := ed25519.Sign(private, message); !bytes.Equal(got, signature) {
			t.Errorf("%s signs %x, want %x", c[0], got, signature)
		}
		if !ed25519.Verify(public, message, signature) || ed25519.Verify(public, append(message, 0), signature) {
			t.Errorf("%s: verifying", c[0])
		}
	}
	// What a device signs is bound to its device and its use: the signature of the bare challenge is none.
	private := ed25519.NewKeyFromSeed(un("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"))
	public := private.Public().(ed25519.PublicKey)
	if VerifyChallenge(public, "d1", "", ed25519.Sign(private, nil)) == nil || VerifyChallenge(public, "d1", "x", ed25519.Sign(private, []byte("x"))) == nil {
		t.Error("the signature of a bare challenge was taken")
	}
	// The order of the group added to s would verify with a sloppy reader (RFC 8032 section 8.4).
	sig := ed25519.Sign(private, ChallengeMessage("d1", "x"))
	order := un("edd3f55c1a631258d69cf7a2def9de1400000000000000000000000000000010")
	carry := 0
	for i := range order {
		sum := int(sig[32+i]) + int(order[i]) + carry
		sig[32+i], carry = byte(sum), sum>>8
	}
	if VerifyChallenge(public, "d1", "x", sig) == nil {
		t.Error("a signature with s + L was taken")
	}
}
