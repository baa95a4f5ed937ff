package logbook

// decodeBase64 reads the standard alphabet of RFC 4648 section 4 with padding,
// strictly: no line breaks, and unused bits must be zero, so that bytes have
// one spelling. encoding/base64 imports reflect, which must not be linked into
// the phone's WebAssembly; the tests compare with it.
func decodeBase64(s string) ([]byte, bool) {
	if len(s)%4 != 0 {
		return nil, false
	}
	out := make([]byte, 0, len(s)/4*3)
	for i := 0; i < len(s); i += 4 {
		var acc uint32
		pad := 0
		for j, c := range []byte(s[i : i+4]) {
			var d byte
			switch {
			case c == '=' && i+4 == len(s) && j >= 2:
				pad++
			case pad > 0:
				return nil, false
			case c >= 'A' && c <= 'Z':
				d = c - 'A'
			case c >= 'a' && c <= 'z':
				d = c - 'a' + 26
			case c >= '0' && c <= '9':
				d = c - '0' + 52
			case c == '+':
				d = 62
			case c == '/':
				d = 63
			default:
				return nil, false
			}
			acc = acc<<6 | uint32(d)
		}
		if pad > 0 && acc&(1<<(8*pad)-1) != 0 {
			return nil, false
		}
		out = append(out, []byte{byte(acc >> 16), byte(acc >> 8), byte(acc)}[:3-pad]...)
	}
	return out, true
}
