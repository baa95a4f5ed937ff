package num

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"
	"math/big"
	"testing"
)

// math/big is the oracle: the Taylor series in 300 bits, after whole turns of
// pi to 80 digits (OEIS A000796) are taken off. The standard library, which
// loses up to seven ulp in large arguments, agrees where they are small.
func TestTrigAgainstBig(t *testing.T) {
	worst := map[string]float64{}
	see := func(name string, e float64) {
		if !(e <= worst[name]) {
			worst[name] = e
		}
	}
	for i := -1000; i <= 1000; i++ {
		u := float64(i) / 1000
		for _, x := range []float64{u * math.Pi, u * 40, u * 1e6, u * 1e-3} {
			s, c := bigSinCos(x)
			see("sin", ulps(Sin(x), s))
			see("cos", ulps(Cos(x), c))
			see("tan", ulps(Tan(x), s/c))
		}
	}
	for i := -100000; i <= 100000; i++ {
		x := float64(i) / 20000
		see("math.Sin", ulps(Sin(x), math.Sin(x)))
		see("math.Cos", ulps(Cos(x), math.Cos(x)))
		see("math.Tan", ulps(Tan(x), math.Tan(x)))
	}
	for name, bound := range map[string]float64{"sin": 1, "cos": 1, "tan": 3, "math.Sin": 2, "math.Cos": 2, "math.Tan": 4} {
		t.Logf("%s %.3g ulp", name, worst[name])
		if !(worst[name] <= bound) {
			t.Errorf("%s is off by %g ulp, allowed %g", name, worst[name], bound)
		}
	}
}

func bigSinCos(x float64) (sin, cos float64) {
	const bits = 300
	number := func(f float64) *big.Float { return new(big.Float).SetPrec(bits).SetFloat64(f) }
	turn, _, _ := big.ParseFloat("6.28318530717958647692528676655900576839433879875021164194988918461563281257241799", 10, bits, big.ToNearestEven)
	r := number(x)
	r.Sub(r, new(big.Float).Mul(turn, number(math.Round(x/(2*math.Pi)))))
	term, s, c := number(1), number(0), number(0)
	for n := 0; n < 80; n++ {
		switch n % 4 {
		case 0:
			c.Add(c, term)
		case 1:
			s.Add(s, term)
		case 2:
			c.Sub(c, term)
		case 3:
			s.Sub(s, term)
		}
		term.Mul(term, r)
		term.Quo(term, number(float64(n+1)))
	}
	sin, _ = s.Float64()
	cos, _ = c.Float64()
	return sin, cos
}

// Values to 20 digits, from memory: sin 1 and cos 1 (OEIS A049469, A049470),
// tan 1 (A049471). The float64 nearest to pi is less than pi by
// 1.2246467991473532e-16, which is its sine; multiples near quarter turns ask
// for the last piece of pi/2.
func TestTrigKnown(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, c := range []struct {
		name      string
		got, want float64
		ulp       float64
	}{
		{"sin 1", Sin(1), 0.84147098480789650665, 1}, {"cos 1", Cos(1), 0.54030230586813971740, 1}, {"tan 1", Tan(1), 1.5574077246549022305, 3},
		{"sin pi", Sin(math.Pi), 1.2246467991473531772e-16, 1}, {"cos pi/2", Cos(math.Pi / 2), 6.1232339957367658860e-17, 1},
		{"tan pi/2", Tan(math.Pi / 2), 16331239353195369.76, 3}, {"sin pi/6", Sin(math.Pi / 6), 0.5, 1}, {"tan pi/4", Tan(math.Pi / 4), 1, 1},
		{"cos pi/3", Cos(math.Pi / 3), 0.5, 1}, {"sin 0", Sin(0), 0, 0}, {"cos 0", Cos(0), 1, 0}, {"tan 0", Tan(0), 0, 0},
		{"sin of a tiny", Sin(-1e-300), -1e-300, 0}, {"sin inf", Sin(inf), nan, 0}, {"cos nan", Cos(nan), nan, 0},
		{"tan far", Tan(0x1p21), nan, 0}, {"sin far", Sin(-0x1p21), nan, 0}, {"cos -inf", Cos(-inf), nan, 0},
	} {
		if c.want != c.want {
			if c.got == c.got {
				t.Errorf("%s: %v, want NaN", c.name, c.got)
			}
			continue
		}
		if e := ulps(c.got, c.want); !(e <= c.ulp) {
			t.Errorf("%s: %v, want %v: %g ulp", c.name, c.got, c.want, e)
		}
	}
}

// As TestSameBitsEverywhere.
func TestTrigSameBits(t *testing.T) {
	h := sha256.New()
	var b [8]byte
	for i := range 4000 {
		u := float64(i-2000) / 2000
		for _, f := range []float64{Sin(u * 7), Cos(u * 7), Tan(u * 7), Sin(u * 1e6), Cos(u * 1e6), Tan(u * 1e6)} {
			binary.BigEndian.PutUint64(b[:], math.Float64bits(f))
			h.Write(b[:])
		}
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != "f4c5dc5650149374d64815730e3e106dee15b2496c6b872673dee2752e4d5389" {
		t.Errorf("digest %s", got)
	}
}
