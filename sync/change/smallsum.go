package change

import "math/bits"

// smallSum256 is SHA-256 (FIPS 180-4) for phones: crypto/sha256 would bring the
// standard library's self-tests, random generator and ciphers into every
// phone's WebAssembly. The tests compare the two.
func smallSum256(data []byte) (sum [32]byte) {
	h := [8]uint32{0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a, 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19}
	whole := len(data) &^ 63
	for at := 0; at < whole; at += 64 {
		sumBlock(&h, data[at:at+64])
	}
	// The rest, a one bit, zeros, and the length in bits in the last eight bytes.
	var last [128]byte
	n := copy(last[:], data[whole:])
	last[n] = 0x80
	end := 64
	if n >= 56 {
		end = 128
	}
	for i := range 8 {
		last[end-1-i] = byte(uint64(len(data)) << 3 >> (8 * i))
	}
	for at := 0; at < end; at += 64 {
		sumBlock(&h, last[at:at+64])
	}
	for i, x := range h {
		sum[4*i], sum[4*i+1], sum[4*i+2], sum[4*i+3] = byte(x>>24), byte(x>>16), byte(x>>8), byte(x)
	}
	return sum
}

func sumBlock(h *[8]uint32, p []byte) {
	var w [64]uint32
	for i := range w {
		if i < 16 {
			w[i] = uint32(p[4*i])<<24 | uint32(p[4*i+1])<<16 | uint32(p[4*i+2])<<8 | uint32(p[4*i+3])
			continue
		}
		x, y := w[i-15], w[i-2]
		w[i] = w[i-16] + w[i-7] +
			(bits.RotateLeft32(x, -7) ^ bits.RotateLeft32(x, -18) ^ x>>3) +
			(bits.RotateLeft32(y, -17) ^ bits.RotateLeft32(y, -19) ^ y>>10)
	}
	v := *h
	for i := range w {
		a, e := v[0], v[4]
		t := v[7] + w[i] + sumRound[i] + (e&v[5] ^ ^e&v[6]) +
			(bits.RotateLeft32(e, -6) ^ bits.RotateLeft32(e, -11) ^ bits.RotateLeft32(e, -25))
		u := (a&v[1] ^ a&v[2] ^ v[1]&v[2]) +
			(bits.RotateLeft32(a, -2) ^ bits.RotateLeft32(a, -13) ^ bits.RotateLeft32(a, -22))
		v = [8]uint32{t + u, a, v[1], v[2], v[3] + t, e, v[5], v[6]}
	}
	for i := range h {
		h[i] += v[i]
	}
}

// sumRound is the fractional parts of the cube roots of the first 64 primes.
var sumRound = [64]uint32{
	0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
	0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
	0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
	0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
	0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
	0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
	0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
	0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2,
}
