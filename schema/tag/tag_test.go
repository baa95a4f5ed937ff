package tag

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"math/bits"
	"strings"
	"testing"

	"gatewright/schema/input"

	"pgregory.net/rapid"
)

func code(t testing.TB, s string) CheckResult {
	t.Helper()
	r, err := Check(CheckInput{Code: &s})
	if err != nil {
		t.Fatalf("%s: %v", s, err)
	}
	return r
}

func telegram(t testing.TB, s string) CheckResult {
	t.Helper()
	r, err := Check(CheckInput{Telegram: &s})
	if err != nil {
		t.Fatalf("%s: %v", s, err)
	}
	return r
}

// Check value of CRC-16/KERMIT in the CRC catalogue (from memory): 0x2189 for
// "123456789".
func TestChecksum(t *testing.T) {
	if got := kermit([]byte("123456789")); got != 0x2189 {
		t.Errorf("%04x", got)
	}
}

// Trace "lf fdxb, animal" of proxmark3's regression tests
// (github.com/RfidResearchGroup/proxmark3): 999 and 112233, an animal's, CRC
// DC48; the id as a little-endian number and as bits on the air.
func TestPublishedTelegram(t *testing.T) {
	for in, order := range map[string]string{
		"69b60100c0f90080": "value", "966d8000039f0001": "air", "69B60100C0F9008048DC": "value", "69b60100c0f90080DC48": "value",
		"966d8000039f0001123b": "air", "966d8000039f0001dc48": "air", "69 b6 01 00 c0 f9 00 80 48 dc": "value",
	} {
		r := telegram(t, in)
		if !r.Valid || r.Country != 999 || r.National != 112233 || !*r.Animal || *r.Retag != 0 || *r.Species != 0 || *r.DataBlock || *r.Advanced ||
			*r.CRC != "DC48" || *r.Order != order || r.Kind != "test" || r.Code != "999000000112233" || r.Reason == "" {
			t.Errorf("%s: %+v, %s, crc %s", in, r, *r.Order, *r.CRC)
		}
	}
	for _, in := range []string{"69b60100c0f90080dc49", "966d8000039f0001123c", "69b60100c0f900800000"} {
		if r := telegram(t, in); r.Valid || !strings.Contains(r.Reason, "checksum") {
			t.Errorf("%s: %+v", in, r)
		}
	}
}

// ISO 3166-1 numeric codes (IE, NZ, NL, US read in a published table; AU 036
// and DK 208 from memory); ISO 11784: 38 bits of national code, 900 to 998 for
// manufacturers, 999 for tests (from memory).
func TestCodes(t *testing.T) {
	for _, c := range []struct {
		code, kind string
		country    int
		national   int64
		valid      bool
	}{
		{"372000000000001", "country", 372, 1, true}, {"554274877906943", "country", 554, 274877906943, true}, {"528 0000 1234 5678", "country", 528, 12345678, true},
		{"840003123456789", "country", 840, 3123456789, true}, {"036000000000042", "country", 36, 42, true}, {"208000000000042", "country", 208, 42, true},
		{"982000123456789", "manufacturer", 982, 123456789, true}, {"900000000000001", "manufacturer", 900, 1, true}, {"998000000000001", "manufacturer", 998, 1, true},
		{"999000000112233", "test", 999, 112233, true}, {"372274877906944", "country", 372, 274877906944, false}, {"372999999999999", "country", 372, 999999999999, false},
		{"000000000000001", "none", 0, 1, false},
	} {
		r := code(t, c.code)
		if r.Country != c.country || r.National != c.national || r.Valid != c.valid || r.Kind != c.kind || r.Valid == (r.Reason != "") && c.kind != "test" || r.Animal != nil || r.CRC != nil {
			t.Errorf("%s: %+v", c.code, r)
		}
	}
}

func TestRefused(t *testing.T) {
	ptr := func(s string) *string { return &s }
	for _, c := range []struct {
		in    CheckInput
		field string
	}{
		{CheckInput{}, "code"}, {CheckInput{Code: ptr("372000000000001"), Telegram: ptr("69b60100c0f90080")}, "telegram"},
		{CheckInput{Code: ptr("")}, "code"}, {CheckInput{Code: ptr("37200000000001")}, "code"}, {CheckInput{Code: ptr("37200000000000x")}, "code"}, {CheckInput{Code: ptr("+72000000000001")}, "code"},
		{CheckInput{Code: ptr("-72000000000001")}, "code"}, {CheckInput{Code: ptr("372000000000001"), Order: ptr("air")}, "order"},
		{CheckInput{Telegram: ptr("69b60100c0f900")}, "telegram"}, {CheckInput{Telegram: ptr("69b60100c0f9008g")}, "telegram"}, {CheckInput{Telegram: ptr("+9b60100c0f90080")}, "telegram"},
		{CheckInput{Telegram: ptr("69b60100c0f90080"), Order: ptr("odd")}, "order"},
	} {
		_, err := Check(c.in)
		var p *input.Problem
		if !errors.As(err, &p) || p.Field != c.field {
			t.Errorf("%+v: %v, want a problem of %s", c.in, err, c.field)
		}
	}
}

func TestNotAnAnimals(t *testing.T) {
	for id, part := range map[uint64]string{
		372<<38 | 7:                 "animal bit",
		1<<63 | 1<<50 | 372<<38 | 7: "reserved",
		1<<63 | 1000<<38 | 7:        "end at 999",
		1<<63 | 7:                   "nobody",
	} {
		s := hex.EncodeToString(binary.LittleEndian.AppendUint64(nil, id))
		order := "value"
		r, err := Check(CheckInput{Telegram: &s, Order: &order})
		if err != nil || r.Valid || !strings.Contains(r.Reason, part) {
			t.Errorf("%x: %+v, %v", id, r, err)
		}
	}
}

// Every telegram comes back, by value or by air, with its checksum or, when
// the order is said, without; and any one wrong bit is found by the checksum.
func TestEveryTelegram(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		country, national := rapid.Uint64Range(1, 999).Draw(t, "country"), rapid.Uint64Range(0, 1<<38-1).Draw(t, "national")
		retag, species := rapid.Uint64Range(0, 7).Draw(t, "retag"), rapid.Uint64Range(0, 31).Draw(t, "species")
		flags := rapid.Uint64Range(0, 3).Draw(t, "flags")
		id := binary.LittleEndian.AppendUint64(nil, 1<<63|retag<<60|species<<55|flags<<48|country<<38|national)
		full := binary.LittleEndian.AppendUint16(append([]byte(nil), id...), bitwise(id))
		for _, order := range []string{"value", "air"} {
			for _, b := range [][]byte{id, full} {
				sent := append([]byte(nil), b...)
				if order == "air" {
					for i := range sent {
						sent[i] = bits.Reverse8(sent[i])
					}
				}
				text := hex.EncodeToString(sent)
				r, err := Check(CheckInput{Telegram: &text, Order: &order})
				if err != nil || !r.Valid || r.Country != int(country) || r.National != int64(national) || *r.Retag != int(retag) || *r.Species != int(species) ||
					*r.DataBlock != (flags&1 == 1) || *r.Advanced != (flags&2 == 2) || r.Code != fmt.Sprintf("%03d%012d", country, national) {
					t.Fatalf("%s by %s: %+v, %v", text, order, r, err)
				}
				if fromCode, err := Check(CheckInput{Code: &r.Code}); err != nil || fromCode.National != r.National || fromCode.Country != r.Country || fromCode.Kind != r.Kind {
					t.Fatalf("%s: %+v, %v", r.Code, fromCode, err)
				}
				if len(b) == 10 {
					bit := rapid.IntRange(0, 79).Draw(t, "bit")
					sent[bit/8] ^= 1 << (bit % 8)
					broken := hex.EncodeToString(sent)
					r, err := Check(CheckInput{Telegram: &broken, Order: &order})
					asNumber := *r.CRC == strings.ToUpper(broken[16:]) // fits by chance, once in 65,536
					if err != nil || r.Valid && !asNumber {
						t.Fatalf("%s by %s, one bit wrong: %+v, %v", broken, order, r, err)
					}
				}
			}
		}
	})
}

// bitwise is the checksum as ISO 11785 draws it: a register of 16 bits, the
// bits going in as they are sent, polynomial x^16 + x^12 + x^5 + 1. Its stages
// come out last first.
func bitwise(id []byte) uint16 {
	var register uint16
	for _, b := range id {
		for i := range 8 {
			in := uint16(b>>i&1) ^ register>>15
			register <<= 1
			if in == 1 {
				register ^= 0x1021
			}
		}
	}
	return bits.Reverse16(register)
}

// Any text gives a result or a problem of its field.
func FuzzCheck(f *testing.F) {
	f.Add("372000000000001", "69b60100c0f9008048dc", "value")
	f.Add("", "966d8000039f0001", "air")
	f.Fuzz(func(t *testing.T, code, telegram, order string) {
		for _, in := range []CheckInput{{Code: &code}, {Telegram: &telegram}, {Telegram: &telegram, Order: &order}, {Code: &code, Telegram: &telegram}} {
			r, err := Check(in)
			var p *input.Problem
			if err != nil && !errors.As(err, &p) || err == nil && (len(r.Code) < 15 || r.Valid && (r.Country < 1 || r.Country > 999 || r.National > nationalMost)) {
				t.Fatalf("%+v, %v", r, err)
			}
		}
	})
}
