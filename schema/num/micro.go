package num

import (
	"errors"
	"strconv"
)

// Micro is a decimal number in millionths: 6.5 is Micro(6500000). Decisions
// about readings and limits compare Micros, so that no platform's floating
// point can turn a reading at the limit into one beyond it.
type Micro int64

// One is 1 as a Micro; MicroMax the greatest magnitude that ParseMicro takes.
const (
	One      Micro = 1_000_000
	MicroMax       = 1_000_000_000 * One
)

// What ParseMicro refuses.
var (
	ErrNotNumber = errors.New("is not a number")
	ErrTooLarge  = errors.New("is beyond plus or minus 1000000000")
	ErrTooFine   = errors.New("has more than six decimals")
)

// ParseMicro reads JSON number text exactly: at most six decimals once
// trailing zeros are gone, magnitude at most 1e9. An exponent is accepted when
// the result is exact ("1.5e-3", "2E+2"). Nothing is rounded.
func ParseMicro(text string) (Micro, error) {
	s := text
	neg := false
	if s != "" && s[0] == '-' {
		neg, s = true, s[1:]
	}
	// Digits without the point, and how many of them stand behind it.
	var digits []byte
	decimals, i := 0, 0
	for ; i < len(s) && isDigit(s[i]); i++ {
		digits = append(digits, s[i])
	}
	if i == 0 || i > 1 && s[0] == '0' {
		return 0, ErrNotNumber
	}
	if i < len(s) && s[i] == '.' {
		i++
		for ; i < len(s) && isDigit(s[i]); i++ {
			digits = append(digits, s[i])
			decimals++
		}
		if decimals == 0 {
			return 0, ErrNotNumber
		}
	}
	exp := 0
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		i++
		minus := false
		if i < len(s) && (s[i] == '+' || s[i] == '-') {
			minus = s[i] == '-'
			i++
		}
		start := i
		for ; i < len(s) && isDigit(s[i]); i++ {
			if exp < 1_000_000 { // beyond that only zero survives anyway
				exp = exp*10 + int(s[i]-'0')
			}
		}
		if i == start {
			return 0, ErrNotNumber
		}
		if minus {
			exp = -exp
		}
	}
	if i != len(s) {
		return 0, ErrNotNumber
	}
	for len(digits) > 0 && digits[0] == '0' {
		digits = digits[1:]
	}
	for len(digits) > 0 && digits[len(digits)-1] == '0' {
		digits = digits[:len(digits)-1]
		decimals--
	}
	if len(digits) == 0 {
		return 0, nil
	}
	shift := exp - decimals + 6 // value in millionths = digits x 10^shift
	if shift < 0 {
		return 0, ErrTooFine
	}
	if len(digits)+shift > 16 { // 1e9 in millionths has 16 digits
		return 0, ErrTooLarge
	}
	var m Micro
	for _, d := range digits {
		m = m*10 + Micro(d-'0')
	}
	for range shift {
		m *= 10
	}
	if m > MicroMax {
		return 0, ErrTooLarge
	}
	if neg {
		m = -m
	}
	return m, nil
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// Append writes the number as ECMAScript, and so RFC 8785, prints it: no
// trailing zeros, no exponent. Every Micro up to MicroMax has at most 16
// digits of which a float64 keeps 15 to 17; those of ParseMicro come back
// exactly (1e9 itself is one digit and nine zeros).
func (m Micro) Append(dst []byte) []byte {
	u := uint64(m)
	if m < 0 {
		dst = append(dst, '-')
		u = -u
	}
	dst = strconv.AppendUint(dst, u/uint64(One), 10)
	frac := u % uint64(One)
	if frac == 0 {
		return dst
	}
	dst = append(dst, '.')
	for scale := uint64(One) / 10; frac > 0; scale /= 10 {
		dst = append(dst, byte('0'+frac/scale))
		frac %= scale
	}
	return dst
}

// String is the text of Append.
func (m Micro) String() string { return string(m.Append(nil)) }

// Float is the nearest float64 (correctly rounded up to MicroMax).
func (m Micro) Float() float64 { return float64(m) / float64(One) }

// Abs is the magnitude.
func (m Micro) Abs() Micro {
	if m < 0 {
		return -m
	}
	return m
}
