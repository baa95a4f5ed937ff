package logbook

import (
	"errors"
	"strconv"
	"strings"
	"time"
)

// EntryID is a ULID: 26 upper-case Crockford base-32 characters, the first ten
// the moment of recording in milliseconds, the rest random. Ids compare as
// strings in the order of their time.
type EntryID string

const (
	upperCrockford = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	lowerCrockford = "0123456789abcdefghjkmnpqrstvwxyz"
	hexDigits      = "0123456789abcdef"
)

// The years of the logbook: 2000-01-01 up to, but not including, 2100-01-01 UTC.
const (
	FirstInstant int64 = 946684800000
	LastInstant  int64 = 4102444800000 - 1
)

// upperValue and lowerValue say which digit a character is, -1 none.
var upperValue, lowerValue = valuesOf(upperCrockford), valuesOf(lowerCrockford)

func valuesOf(digits string) (values [256]int8) {
	for i := range values {
		values[i] = -1
	}
	for i := range len(digits) {
		values[digits[i]] = int8(i)
	}
	return values
}

// NewEntryID makes an id from the moment of recording (ms since the epoch) and
// ten random bytes of the caller. A time that 48 bits cannot hold is cut to
// them; Valid then refuses the id.
func NewEntryID(ms int64, random [10]byte) EntryID {
	var b [16]byte
	for i := range 6 {
		b[i] = byte(uint64(ms) >> (40 - 8*i))
	}
	copy(b[6:], random[:])
	return encodeULID(b)
}

// encodeULID writes 128 bits as 26 characters of 5 bits; the first holds 3.
func encodeULID(b [16]byte) EntryID {
	var out [26]byte
	var acc uint64
	bits := 2 // two zero bits in front make 130
	n := 0
	for _, c := range b {
		acc = acc<<8 | uint64(c)
		bits += 8
		for bits >= 5 {
			bits -= 5
			out[n] = upperCrockford[acc>>bits&31]
			n++
		}
	}
	return EntryID(out[:])
}

func decodeULID(id EntryID) (b [16]byte, ok bool) {
	if len(id) != 26 || id[0] > '7' {
		return b, false
	}
	var acc uint64
	bits := -2
	n := 0
	for i := range len(id) {
		at := upperValue[id[i]]
		if at < 0 {
			return b, false
		}
		acc = acc<<5 | uint64(at)
		bits += 5
		if bits >= 8 {
			bits -= 8
			b[n] = byte(acc >> bits)
			n++
		}
	}
	return b, true
}

// Valid returns nil for a well-formed id whose time lies in 2000 to 2099.
func (id EntryID) Valid() error {
	if p := checkEntryID("id", string(id)); p != nil {
		return p
	}
	return nil
}

func checkEntryID(field, s string) *Problem {
	switch {
	case s == "":
		return problem(field, "is empty")
	case len(s) != 26:
		return problem(field, "must be an entry id of 26 characters")
	}
	t := EntryID(s).Time()
	if t < 0 {
		return problem(field, "must be an entry id: digits and capitals without I, L, O, U, the first at most 7")
	}
	if t < FirstInstant || t > LastInstant {
		return problem(field, "carries a time outside the years 2000 to 2099")
	}
	return nil
}

// Time is the moment of recording in ms since the epoch, or -1 when the id is
// not a ULID.
func (id EntryID) Time() int64 {
	b, ok := decodeULID(id)
	if !ok {
		return -1
	}
	var ms int64
	for i := range 6 {
		ms = ms<<8 | int64(b[i])
	}
	return ms
}

// Month is the UTC month of the id's time, "2026-11": it alone picks the
// document. It is empty when the id is not valid.
func (id EntryID) Month() string {
	if id.Valid() != nil {
		return ""
	}
	return MonthOf(id.Time())
}

// MonthOf is the UTC month of an instant, "2026-11".
func MonthOf(ms int64) string {
	y, m, _ := time.UnixMilli(ms).UTC().Date()
	s := strconv.Itoa(y) + "-"
	if m < 10 {
		s += "0"
	}
	return s + strconv.Itoa(int(m))
}

// ErrNoNext is returned when the random part of an id is at its end.
var ErrNoNext = errors.New("no id is left in this millisecond")

// Next is the id after this one in the same millisecond: the random part plus
// one (the ULID specification's monotonic order). A phone that records twice
// within a millisecond uses it, so that its entries keep their order.
func Next(id EntryID) (EntryID, error) {
	b, ok := decodeULID(id)
	if !ok {
		return "", problem("id", "is not an entry id")
	}
	for i := 15; i >= 6; i-- {
		b[i]++
		if b[i] != 0 {
			return encodeULID(b), nil
		}
	}
	return "", ErrNoNext
}

// PlanDocument is the name of a site's plan; the months of its log are named
// by LogDocument.
const PlanDocument = "plan"

// LogDocument names the document of a month: "log/2026-11".
func LogDocument(month string) string { return "log/" + month }

// Document is the name of the document that holds the entry.
func (id EntryID) Document() string {
	m := id.Month()
	if m == "" {
		return ""
	}
	return LogDocument(m)
}

// DocID is the id of a site's document: UUID version 5 (RFC 9562 section 5.5)
// of the name within the site, so that two phones that never met start the
// same document. The text form of the wire is made in sync/wire.
func DocID(site [16]byte, name string) [16]byte {
	sum := sha1Sum(append(site[:], name...))
	id := [16]byte(sum[:16])
	id[6] = id[6]&0x0f | 0x50
	id[8] = id[8]&0x3f | 0x80
	return id
}

// ParseUUID reads the 36-character form, lower-case only: a site has one
// spelling.
func ParseUUID(s string) ([16]byte, error) {
	var id [16]byte
	if p := checkUUID("id", s); p != nil {
		return id, p
	}
	for i, c := range []byte(strings.ReplaceAll(s, "-", "")) {
		id[i/2] = id[i/2]<<4 | byte(strings.IndexByte(hexDigits, c))
	}
	return id, nil
}

// FormatUUID writes the 36-character form.
func FormatUUID(id [16]byte) string {
	out := make([]byte, 0, 36)
	for i, b := range id {
		if i == 4 || i == 6 || i == 8 || i == 10 {
			out = append(out, '-')
		}
		out = append(out, hexDigits[b>>4], hexDigits[b&15])
	}
	return string(out)
}

func checkUUID(field, s string) *Problem {
	if s == "" {
		return problem(field, "is empty")
	}
	ok := len(s) == 36
	for i := 0; ok && i < len(s); i++ {
		if i == 8 || i == 13 || i == 18 || i == 23 {
			ok = s[i] == '-'
		} else {
			ok = isHex(s[i])
		}
	}
	if !ok {
		return problem(field, "must be a UUID in lower case, such as 6ba7b810-9dad-11d1-80b4-00c04fd430c8")
	}
	return nil
}

func isHex(c byte) bool { return c >= '0' && c <= '9' || c >= 'a' && c <= 'f' }

// Server stands for both person and device of entries that the server writes.
const Server = "server"

// PersonID and DeviceID check the ids that the server gives out: "p" or "d"
// and nine lower-case Crockford characters, or Server.
func PersonID(s string) bool { return s == Server || isActor(s, 'p') }

// DeviceID is described at PersonID.
func DeviceID(s string) bool { return s == Server || isActor(s, 'd') }

func isActor(s string, letter byte) bool {
	if len(s) != 10 || s[0] != letter {
		return false
	}
	for i := 1; i < len(s); i++ {
		if lowerValue[s[i]] < 0 {
			return false
		}
	}
	return true
}

// NewPersonID and NewDeviceID make such an id from nine random bytes.
func NewPersonID(random [9]byte) string { return newActor('p', random) }

// NewDeviceID is described at NewPersonID.
func NewDeviceID(random [9]byte) string { return newActor('d', random) }

func newActor(letter byte, random [9]byte) string {
	b := [10]byte{letter}
	for i, r := range random {
		b[i+1] = lowerCrockford[r&31]
	}
	return string(b[:])
}

// ItemID reports that s can name a plan item: 1 to 16 of a-z, 0-9 and -,
// starting with a letter.
func ItemID(s string) bool { return isWord(s, 16) }

func isWord(s string, most int) bool {
	if s == "" || len(s) > most || s[0] < 'a' || s[0] > 'z' {
		return false
	}
	for i := range len(s) {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}
