package record

import (
	"testing"

	"gatewright/schema/canon"
)

func TestCanonical(t *testing.T) {
	for _, c := range []struct{ in, canonical, sha256 string }{
		// The digests are those that sha256sum gives for the canonical text.
		{` { } `, `{}`, "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"},
		{`{"b":1.0,"a":"\u20ac"}`, `{"a":"€","b":1}`, "2c6fbbec1f6bfa5ea5d93187c7f6960ae2fbc3f05c442ebb923b9a6777b85c76"},
		{`9007199254740993`, `9007199254740992`, "c681da39d7273a6a24c15c9cac3a75526ff2ecf8ba4ee60346a0c70c8163bdb2"},
	} {
		v, err := canon.Parse([]byte(c.in))
		if err != nil {
			t.Fatal(err)
		}
		got, err := Canonical(CanonicalInput{v})
		if err != nil || got.Canonical != c.canonical || got.SHA256 != c.sha256 {
			t.Errorf("%s: %+v, %v; want %s %s", c.in, got, err, c.canonical, c.sha256)
		}
	}
}
