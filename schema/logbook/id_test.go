package logbook

import (
	"crypto/sha1"
	"encoding/hex"
	"encoding/json"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/google/uuid"
)

// Vectors of the ULID specification; testdata/ulid.json names their source.
func TestULIDSpecification(t *testing.T) {
	b, err := os.ReadFile("testdata/ulid.json")
	if err != nil {
		t.Fatal(err)
	}
	var c struct {
		Input struct {
			ULIDs      []EntryID
			Monotonic  []EntryID
			TimePrefix string `json:"time_prefix"`
		}
		Expected struct {
			TimestampMS  []*int64 `json:"timestamp_ms"`
			TimePrefixMS int64    `json:"time_prefix_ms"`
		}
	}
	if err := json.Unmarshal(b, &c); err != nil {
		t.Fatal(err)
	}
	if len(c.Input.ULIDs) != 3 || len(c.Input.Monotonic) != 2 {
		t.Fatal("vectors are missing")
	}
	for i, id := range c.Input.ULIDs {
		want := int64(-1)
		if ms := c.Expected.TimestampMS[i]; ms != nil {
			want = *ms
		}
		if got := id.Time(); got != want {
			t.Errorf("%s: %d, want %d", id, got, want)
		}
	}
	next, err := Next(c.Input.Monotonic[0])
	if err != nil || next != c.Input.Monotonic[1] {
		t.Errorf("after %s comes %s, %v; want %s", c.Input.Monotonic[0], next, err, c.Input.Monotonic[1])
	}
	if got := c.Input.Monotonic[0].Time(); got != c.Expected.TimePrefixMS {
		t.Errorf("prefix %s is %d, want %d", c.Input.TimePrefix, got, c.Expected.TimePrefixMS)
	}
	id := NewEntryID(c.Expected.TimePrefixMS, [10]byte{})
	if want := c.Input.TimePrefix + "0000000000000000"; string(id) != want {
		t.Errorf("made %s, want %s", id, want)
	}
}

func TestNextAtItsEnd(t *testing.T) {
	end := NewEntryID(FirstInstant, [10]byte{255, 255, 255, 255, 255, 255, 255, 255, 255, 255})
	if id, err := Next(end); err != ErrNoNext || id != "" {
		t.Errorf("got %q, %v", id, err)
	}
	carry, err := Next(NewEntryID(FirstInstant, [10]byte{0, 255, 255, 255, 255, 255, 255, 255, 255, 255}))
	if want := NewEntryID(FirstInstant, [10]byte{1}); err != nil || carry != want {
		t.Errorf("got %s, %v; want %s", carry, err, want)
	}
	if _, err := Next("nonsense"); err == nil {
		t.Error("nonsense has a successor")
	}
}

// RFC 9562 Appendix A.4 gives the UUIDv5 of www.example.com in the DNS
// namespace. The value here is what google/uuid and Python's uuid make of it;
// the page of the RFC was not at hand.
func TestDocID(t *testing.T) {
	dns, err := ParseUUID("6ba7b810-9dad-11d1-80b4-00c04fd430c8")
	if err != nil {
		t.Fatal(err)
	}
	if got := FormatUUID(DocID(dns, "www.example.com")); got != "2ed6657d-e927-568b-95e1-2665a8aea6a2" {
		t.Errorf("got %s", got)
	}
	for _, name := range []string{PlanDocument, LogDocument("2026-11"), "", strings.Repeat("x", 200)} {
		if got, want := DocID(dns, name), uuid.NewSHA1(uuid.UUID(dns), []byte(name)); got != [16]byte(want) {
			t.Errorf("%q: %x, want %x", name, got, want)
		}
	}
	for _, bad := range []string{"", "6BA7B810-9dad-11d1-80b4-00c04fd430c8", "6ba7b8109dad11d180b400c04fd430c8", "6ba7b810-9dad-11d1-80b4-00c04fd430cg", "6ba7b810-9dad-11d1-80b4-00c04fd430c"} {
		if _, err := ParseUUID(bad); err == nil {
			t.Errorf("%q is taken for a UUID", bad)
		}
	}
}

func TestSHA1(t *testing.T) {
	for n := range 300 {
		data := []byte(strings.Repeat("gate", 100)[:n])
		if got, want := sha1Sum(data), sha1.Sum(data); got != want {
			t.Fatalf("%d bytes: %x, want %x", n, got, want)
		}
	}
	got := sha1Sum([]byte("abc")) // FIPS 180 example
	if hex.EncodeToString(got[:]) != "a9993e364706816aba3e25717850c26c9cd0d89d" {
		t.Errorf("abc: %x", got)
	}
}

func TestActorIDs(t *testing.T) {
	r := [9]byte{0, 31, 32, 63, 255, 9, 10, 18, 19}
	for id, ok := range map[string]bool{
		NewPersonID(r): true, Server: true, "p0a1b2c3d4": true,
		NewDeviceID(r): false, "p0a1b2c3dl": false, "p0a1b2c3d": false, "P0a1b2c3d4": false, "": false, "p0a1b2c3d4e": false,
	} {
		if PersonID(id) != ok {
			t.Errorf("PersonID(%q) must be %v", id, ok)
		}
	}
	if !DeviceID(NewDeviceID(r)) || DeviceID(NewPersonID(r)) || !DeviceID(Server) {
		t.Error("DeviceID")
	}
}

// What the phone links must not bring in fmt, encoding/json or reflect: they
// add about half a megabyte to its WebAssembly and, with reflection, code that
// depends on map order.
func TestPhoneImports(t *testing.T) {
	for _, goos := range []string{"linux", "js"} {
		cmd := exec.Command("go", "list", "-deps", "gatewright/schema/canon", "gatewright/schema/num", "gatewright/schema/logbook")
		cmd.Env = append(os.Environ(), "GOOS="+goos, "CGO_ENABLED=0")
		if goos == "js" {
			cmd.Env = append(cmd.Env, "GOARCH=wasm")
		}
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("listing imports: %v", err)
		}
		deps := strings.Fields(string(out))
		found := false
		for _, d := range deps {
			found = found || d == "gatewright/schema/canon"
			switch d {
			case "fmt", "encoding/json", "reflect", "os", "net", "crypto/sha1":
				t.Errorf("%s: %s is imported", goos, d)
			}
			if strings.Contains(d, ".") {
				t.Errorf("%s: %s is not of the standard library", goos, d)
			}
		}
		if !found {
			t.Errorf("%s: the list is not what it should be: %q", goos, deps)
		}
	}
}
