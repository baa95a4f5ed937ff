// Package tag reads the code of an animal's electronic ear tag or bolus.
//
// The code has 64 bits (ISO 11784), numbered here from 0 as they are sent,
// lowest first (ISO 11785, full duplex): 0 to 37 the national code, 38 to 47
// the country code, 48 whether a data block follows, 49 whether the transponder
// is an advanced one, 50 to 54 reserved (0), 55 to 59 user information (the
// species in most schemes), 60 to 62 the retagging counter, 63 whether it is an
// animal's. A checksum of 16 bits follows: CRC-CCITT over the eight bytes, as
// they are sent (CRC-16/KERMIT: polynomial 0x1021 reflected, start 0).
//
// On screens and tags it is 15 decimal digits: three of the country code (ISO
// 3166 numeric, or 900 to 998 for a manufacturer, 999 for tests) and twelve of
// the national code.
package tag

import (
	"math/bits"
	"strconv"
	"strings"

	"gatewright/schema/input"
)

// CheckInput is a code or a telegram: exactly one of the two.
type CheckInput struct {
	Code     *string `json:"code" doc:"15 digits, country code first; spaces are ignored" most:"40"`
	Telegram *string `json:"telegram" doc:"16 hexadecimal digits of the eight bytes as sent, lowest byte first, or 20 with the checksum; spaces are ignored" most:"60"`
	Order    *string `json:"order" doc:"how each byte of the telegram is written: value (its own value) or air (its bits from left to right as they were sent); found out without it" one:"value air"`
}

// CheckResult is what the code says.
type CheckResult struct {
	Valid    bool   `json:"valid" doc:"whether it can be an animal's code, and the checksum, if there is one, fits"`
	Reason   string `json:"reason" doc:"why it is not valid, or what is particular about it; empty when there is nothing to say"`
	Code     string `json:"code" doc:"the 15 digits"`
	Country  int    `json:"country" doc:"country code, 0 to 1023"`
	National int64  `json:"national" doc:"national code, 0 to 274877906943"`
	Kind     string `json:"kind" doc:"whose number the country code is" one:"country manufacturer test none"`

	Animal    *bool   `json:"animal" doc:"whether the animal bit is set; telegrams only"`
	Retag     *int    `json:"retag" doc:"how often the animal was given a new tag with its number, 0 to 7; telegrams only"`
	Species   *int    `json:"species" doc:"user information, the species in most schemes, 0 to 31; telegrams only"`
	DataBlock *bool   `json:"data_block" doc:"whether a data block follows the telegram; telegrams only"`
	Advanced  *bool   `json:"advanced" doc:"whether the transponder is an advanced one; telegrams only"`
	CRC       *string `json:"crc" doc:"the checksum that belongs to the telegram, four hexadecimal digits, highest first; telegrams only"`
	Order     *string `json:"order" doc:"how the telegram's bytes were read; telegrams only" one:"value air"`
}

const (
	nationalBits = 38
	nationalMost = 1<<nationalBits - 1 // 274877906943
)

// Check reads a code or a telegram. It refuses what has not the form of one
// (field code or telegram); what has the form but cannot be an animal's code
// comes back with valid false and the reason.
//
// A telegram's bytes are written in two ways: by value, or with the bits of
// each from left to right as they went through the air, which turns every byte
// round (69b60100c0f90080 and 966d8000039f0001 are the same telegram). The
// checksum tells which it is. Without one a telegram is read by value, unless
// only the other way gives a valid code; order says how it was read, and given
// as input settles it. The checksum may stand as it is sent, lowest byte
// first, or as a number; a wrong one is accepted by chance 2 to 4 times in
// 65,536.
//
// Sources: ISO 11784:1996 and its amendments, table 1, and ISO 11785:1996,
// full duplex, as published decoders implement them; country codes ISO 3166-1.
func Check(in CheckInput) (CheckResult, error) {
	switch {
	case in.Code == nil && in.Telegram == nil:
		return CheckResult{}, input.Bad("code", "must be given, or telegram")
	case in.Code != nil && in.Telegram != nil:
		return CheckResult{}, input.Bad("telegram", "must be left out when code is given")
	case in.Code != nil:
		if in.Order != nil {
			return CheckResult{}, input.Bad("order", "must be left out when code is given")
		}
		return checkCode(strings.ReplaceAll(*in.Code, " ", ""))
	}
	return checkTelegram(strings.ReplaceAll(*in.Telegram, " ", ""), in.Order)
}

func checkCode(code string) (CheckResult, error) {
	if len(code) != 15 {
		return CheckResult{}, input.Bad("code", "must have 15 digits")
	}
	number, err := strconv.ParseUint(code, 10, 64)
	if err != nil {
		return CheckResult{}, input.Bad("code", "must have 15 digits and nothing else")
	}
	out := CheckResult{Code: code, Country: int(number / 1e12), National: int64(number % 1e12)}
	out.judge()
	return out, nil
}

// judge sets Kind, Valid and Reason from the two numbers.
func (r *CheckResult) judge() {
	r.Kind = "country"
	switch {
	case r.Country == 0:
		r.Kind, r.Reason = "none", "country code 000 belongs to nobody"
	case r.Country > 999:
		r.Kind, r.Reason = "none", "country codes end at 999"
	case r.National > nationalMost:
		r.Reason = "the national code is above 274877906943, the most that 38 bits hold"
	default:
		r.Valid = true
		if r.Country == 999 {
			r.Reason = "country code 999 is for tests"
		}
	}
	switch {
	case r.Country == 999:
		r.Kind = "test"
	case r.Country >= 900 && r.Country < 999:
		r.Kind = "manufacturer"
	}
}

func checkTelegram(telegram string, order *string) (CheckResult, error) {
	if len(telegram) != 16 && len(telegram) != 20 {
		return CheckResult{}, input.Bad("telegram", "must have 16 hexadecimal digits, or 20 with the checksum")
	}
	var sent []byte
	for i := 0; i < len(telegram); i += 2 {
		b, err := strconv.ParseUint(telegram[i:i+2], 16, 8)
		if err != nil {
			return CheckResult{}, input.Bad("telegram", "must have hexadecimal digits and nothing else")
		}
		sent = append(sent, byte(b))
	}
	turned := make([]byte, len(sent))
	for i, b := range sent {
		turned[i] = bits.Reverse8(b)
	}
	byValue, byAir := decode(sent, sent, "value"), decode(turned, sent, "air")
	switch {
	case order == nil:
		if byAir.fits && !byValue.fits || byAir.fits == byValue.fits && byAir.Valid && !byValue.Valid {
			return byAir.CheckResult, nil
		}
		return byValue.CheckResult, nil
	case *order == "value":
		return byValue.CheckResult, nil
	case *order == "air":
		return byAir.CheckResult, nil
	}
	return CheckResult{}, input.Bad("order", "must be value or air")
}

type decoded struct {
	CheckResult
	fits bool // the checksum, or there is none
}

// decode reads bytes by value; written are the same as they stood, among which
// the checksum may be a number.
func decode(value, written []byte, order string) decoded {
	var id uint64
	for i := 7; i >= 0; i-- {
		id = id<<8 | uint64(value[i])
	}
	sum := kermit(value[:8])
	out := decoded{fits: true}
	out.Country, out.National = int(id>>nationalBits&1023), int64(id&nationalMost)
	out.Code = digits(int64(out.Country), 3) + digits(out.National, 12)
	animal, block, advanced := id>>63 == 1, id>>48&1 == 1, id>>49&1 == 1
	retag, species := int(id>>60&7), int(id>>55&31)
	crc := strings.ToUpper(strconv.FormatUint(uint64(sum)|1<<16, 16)[1:])
	out.Animal, out.DataBlock, out.Advanced, out.Retag, out.Species = &animal, &block, &advanced, &retag, &species
	out.CRC, out.Order = &crc, &order
	out.judge()
	if len(value) == 10 {
		asSent := uint16(value[8]) | uint16(value[9])<<8
		asNumber := uint16(written[8])<<8 | uint16(written[9])
		out.fits = sum == asSent || sum == asNumber
	}
	switch {
	case !out.fits:
		out.Valid, out.Reason = false, "the checksum is not that of the telegram, "+crc
	case !out.Valid:
	case !animal:
		out.Valid, out.Reason = false, "the animal bit is not set: the transponder is not an animal's"
	case id>>50&31 != 0:
		out.Valid, out.Reason = false, "reserved bits are set"
	}
	return out
}

// kermit is CRC-16/KERMIT.
func kermit(data []byte) uint16 {
	var sum uint16
	for _, b := range data {
		sum ^= uint16(b)
		for range 8 {
			if sum&1 == 1 {
				sum = sum>>1 ^ 0x8408
			} else {
				sum >>= 1
			}
		}
	}
	return sum
}

func digits(n int64, width int) string {
	s := strconv.FormatInt(n, 10)
	return strings.Repeat("0", max(0, width-len(s))) + s
}
