package change

// Hexadecimal is written here because encoding/hex links fmt and reflect, which
// are a good part of a phone's WebAssembly.

const hexDigits = "0123456789abcdef"

func hexOf(b []byte) string {
	out := make([]byte, 0, 2*len(b))
	for _, c := range b {
		out = append(out, hexDigits[c>>4], hexDigits[c&15])
	}
	return string(out)
}

// unhex fills dst from twice as many digits, of either case.
func unhex(dst []byte, s string) bool {
	if len(s) != 2*len(dst) {
		return false
	}
	for i := range len(s) {
		c := s[i]
		switch {
		case c >= '0' && c <= '9':
			c -= '0'
		case c >= 'a' && c <= 'f':
			c -= 'a' - 10
		case c >= 'A' && c <= 'F':
			c -= 'A' - 10
		default:
			return false
		}
		dst[i/2] = dst[i/2]<<4 | c
	}
	return true
}
