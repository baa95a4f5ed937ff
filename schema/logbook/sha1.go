package logbook

import "math/bits"

// sha1Sum is SHA-1 (RFC 3174), which UUID version 5 is made with; nothing here
// relies on it for security. crypto/sha1 would bring the random generator and
// ciphers of the standard library into every phone's WebAssembly (measured: 160 KB compressed). The tests
// compare it with crypto/sha1.
func sha1Sum(data []byte) (sum [20]byte) {
	msg := append(append(make([]byte, 0, len(data)+72), data...), 0x80)
	for len(msg)%64 != 56 {
		msg = append(msg, 0)
	}
	for i := range 8 {
		msg = append(msg, byte(uint64(len(data))*8>>(56-8*i)))
	}
	h := [5]uint32{0x67452301, 0xEFCDAB89, 0x98BADCFE, 0x10325476, 0xC3D2E1F0}
	for ; len(msg) > 0; msg = msg[64:] {
		var w [80]uint32
		for i := range 16 {
			w[i] = uint32(msg[4*i])<<24 | uint32(msg[4*i+1])<<16 | uint32(msg[4*i+2])<<8 | uint32(msg[4*i+3])
		}
		for i := 16; i < 80; i++ {
			w[i] = bits.RotateLeft32(w[i-3]^w[i-8]^w[i-14]^w[i-16], 1)
		}
		a, b, c, d, e := h[0], h[1], h[2], h[3], h[4]
		for i, x := range w {
			var f, k uint32
			switch {
			case i < 20:
				f, k = b&c|^b&d, 0x5A827999
			case i < 40:
				f, k = b^c^d, 0x6ED9EBA1
			case i < 60:
				f, k = b&c|b&d|c&d, 0x8F1BBCDC
			default:
				f, k = b^c^d, 0xCA62C1D6
			}
			a, b, c, d, e = bits.RotateLeft32(a, 5)+f+e+k+x, a, bits.RotateLeft32(b, 30), c, d
		}
		h[0], h[1], h[2], h[3], h[4] = h[0]+a, h[1]+b, h[2]+c, h[3]+d, h[4]+e
	}
	for i, x := range h {
		sum[4*i], sum[4*i+1], sum[4*i+2], sum[4*i+3] = byte(x>>24), byte(x>>16), byte(x>>8), byte(x)
	}
	return sum
}
