package canon

import (
	"bytes"
	"errors"
	"math"
	"strconv"
	"unicode/utf8"

	"gatewright/schema/arrange"
)

// Canonical returns the RFC 8785 form of JSON text.
func Canonical(b []byte) ([]byte, error) {
	v, err := Parse(b)
	if err != nil {
		return nil, err
	}
	return Append(make([]byte, 0, len(b)), v), nil
}

// Is reports that b is JSON in its RFC 8785 form already.
func Is(b []byte) bool {
	c, err := Canonical(b)
	return err == nil && bytes.Equal(b, c)
}

// Append writes v in its RFC 8785 form. A number that JSON cannot hold (only
// possible in a Value made in Go) is written as null, as ECMAScript does.
func Append(dst []byte, v Value) []byte {
	switch v.Kind {
	case Bool:
		return strconv.AppendBool(dst, v.Bool)
	case Number:
		out, err := AppendNumber(dst, v.Num)
		if err != nil {
			return append(dst, "null"...)
		}
		return out
	case String:
		return AppendString(dst, v.Str)
	case List:
		dst = append(dst, '[')
		for i, item := range v.List {
			if i > 0 {
				dst = append(dst, ',')
			}
			dst = Append(dst, item)
		}
		return append(dst, ']')
	case Object:
		dst = append(dst, '{')
		for i, at := range inOrder(v.Keys) {
			if i > 0 {
				dst = append(dst, ',')
			}
			dst = AppendString(dst, v.Keys[at])
			dst = append(dst, ':')
			dst = Append(dst, v.Vals[at])
		}
		return append(dst, '}')
	}
	return append(dst, "null"...)
}

// inOrder returns the indices of keys in canonical order.
func inOrder(keys []string) []int {
	order := make([]int, len(keys))
	for i := range order {
		order[i] = i
	}
	arrange.By(order, func(a, b int) int { return CompareKeys(keys[a], keys[b]) })
	return order
}

// SortKeys sorts by UTF-16 code units, the order RFC 8785 section 3.2.3 wants.
func SortKeys(keys []string) { arrange.By(keys, CompareKeys) }

// CompareKeys compares by UTF-16 code units. That is not the order of bytes:
// a character beyond U+FFFF starts with a surrogate (D800 to DBFF) and so
// comes before U+E000 to U+FFFF.
func CompareKeys(a, b string) int {
	for a != "" && b != "" {
		ra, na := utf8.DecodeRuneInString(a)
		rb, nb := utf8.DecodeRuneInString(b)
		if ra != rb {
			if (ra > 0xFFFF) != (rb > 0xFFFF) {
				ra, rb = firstUnit(ra), firstUnit(rb)
			}
			if ra < rb {
				return -1
			}
			return 1
		}
		a, b = a[na:], b[nb:]
	}
	switch {
	case a != "":
		return 1
	case b != "":
		return -1
	}
	return 0
}

func firstUnit(r rune) rune {
	if r > 0xFFFF {
		return 0xD800 + (r-0x10000)>>10
	}
	return r
}

const hexDigits = "0123456789abcdef"

// AppendString writes a JSON string as RFC 8785 section 3.2.2.2 wants it:
// only the quote, the backslash and control characters are escaped. Invalid
// UTF-8 (never the result of Parse) becomes U+FFFD.
func AppendString(dst []byte, s string) []byte {
	dst = append(dst, '"')
	start := 0
	for i := 0; i < len(s); {
		c := s[i]
		if c >= utf8.RuneSelf {
			r, n := utf8.DecodeRuneInString(s[i:])
			if r == utf8.RuneError && n == 1 {
				dst = append(dst, s[start:i]...)
				dst = append(dst, "\uFFFD"...)
				start = i + 1
			}
			i += n
			continue
		}
		if c >= 0x20 && c != '"' && c != '\\' {
			i++
			continue
		}
		dst = append(dst, s[start:i]...)
		switch c {
		case '"', '\\':
			dst = append(dst, '\\', c)
		case '\b':
			dst = append(dst, '\\', 'b')
		case '\t':
			dst = append(dst, '\\', 't')
		case '\n':
			dst = append(dst, '\\', 'n')
		case '\f':
			dst = append(dst, '\\', 'f')
		case '\r':
			dst = append(dst, '\\', 'r')
		default:
			dst = append(dst, '\\', 'u', '0', '0', hexDigits[c>>4], hexDigits[c&15])
		}
		i++
		start = i
	}
	dst = append(dst, s[start:]...)
	return append(dst, '"')
}

// ErrNumber is returned for a number that JSON cannot hold.
var ErrNumber = errors.New("a number must be finite")

// AppendNumber writes f as ECMAScript's Number::toString does (RFC 8785
// section 3.2.2.3): the shortest digits that read back to f, an exponent
// below 1e-6 and from 1e21 on, and no sign on zero.
func AppendNumber(dst []byte, f float64) ([]byte, error) {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return dst, ErrNumber
	}
	if f == 0 {
		return append(dst, '0'), nil
	}
	if f < 0 {
		dst = append(dst, '-')
		f = -f
	}
	// strconv gives the shortest digits, the closest to f among equally short.
	var buf [32]byte
	text := strconv.AppendFloat(buf[:0], f, 'e', -1, 64) // d[.ddd]e±xx
	e := bytes.IndexByte(text, 'e')
	exp, _ := strconv.Atoi(string(text[e+1:]))
	digits := append(make([]byte, 0, 20), text[0])
	if e > 1 {
		digits = append(digits, text[2:e]...)
	}
	point := exp + 1 // digits before the decimal point
	switch {
	case point > 21 || point <= -6:
		dst = append(dst, digits[0])
		if len(digits) > 1 {
			dst = append(dst, '.')
			dst = append(dst, digits[1:]...)
		}
		dst = append(dst, 'e')
		if exp > 0 {
			dst = append(dst, '+')
		}
		return strconv.AppendInt(dst, int64(exp), 10), nil
	case point <= 0:
		dst = append(dst, '0', '.')
		for ; point < 0; point++ {
			dst = append(dst, '0')
		}
		return append(dst, digits...), nil
	case len(digits) <= point:
		dst = append(dst, digits...)
		for range point - len(digits) {
			dst = append(dst, '0')
		}
		return dst, nil
	}
	dst = append(dst, digits[:point]...)
	dst = append(dst, '.')
	return append(dst, digits[point:]...), nil
}
