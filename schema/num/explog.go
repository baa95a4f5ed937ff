package num

import "math"

const (
	ln2Hi = 6.93147180369123816490e-01 // its last 21 bits are zero: k*ln2Hi is exact for |k| < 2^21
	ln2Lo = 1.90821492927058770002e-10 // ln 2 - ln2Hi
	log2E = 1.44269504088896340736
	// The greatest x with a finite exp, and the least with one above zero.
	expMost  = 709.782712893383973096
	expLeast = -745.133219101941108420
)

// Sqrt is the square root, which IEEE 754 rounds correctly everywhere.
func Sqrt(x float64) float64 { return math.Sqrt(x) }

// Exp is e to the power of x, within 1 ulp.
//
// With k the integer nearest to x/ln 2 and r = x - k ln 2, |r| <= 0.3466, the
// result is 2^k e^r, and e^r - 1 - r is a Taylor polynomial of degree 13,
// whose remainder is below 4e-18.
func Exp(x float64) float64 {
	switch {
	case x != x:
		return x
	case x > expMost:
		return math.Inf(1)
	case x < expLeast:
		return 0
	}
	k := math.Floor(float64(x*log2E) + 0.5)
	hi := x - float64(k*ln2Hi)
	lo := float64(k * ln2Lo)
	r := hi - lo
	lost := (hi - r) - lo // what rounding r took away
	return scale(1+(r+(lost+expTail(r))), int(k))
}

// Expm1 is Exp(x) - 1 without cancellation near 0, within 4 ulp.
func Expm1(x float64) float64 {
	if math.Abs(x) <= 0.34 {
		return x + expTail(x)
	}
	return Exp(x) - 1
}

// expTail is e^r - 1 - r for |r| <= 0.35.
func expTail(r float64) float64 {
	p := 0.0
	for i := len(expTerms) - 1; i >= 0; i-- {
		p = expTerms[i] + float64(r*p)
	}
	return float64(float64(r*r) * p)
}

// expTerms are 1/2!, 1/3! … 1/13!.
var expTerms = [...]float64{
	1.0 / 2, 1.0 / 6, 1.0 / 24, 1.0 / 120, 1.0 / 720, 1.0 / 5040, 1.0 / 40320, 1.0 / 362880,
	1.0 / 3628800, 1.0 / 39916800, 1.0 / 479001600, 1.0 / 6227020800,
}

// scale is y 2^k for y near 1, rounded once also where the result is subnormal.
func scale(y float64, k int) float64 {
	switch {
	case k > 1000:
		y = float64(y * pow2(1000))
		k -= 1000
	case k < -1000:
		y = float64(y * pow2(-1000))
		k += 1000
	}
	return float64(y * pow2(k))
}

// pow2 is 2^k for -1022 <= k <= 1023.
func pow2(k int) float64 { return math.Float64frombits(uint64(k+1023) << 52) }

// Log is the natural logarithm, within 1 ulp. It is NaN below zero and minus
// infinity at zero.
//
// With x = 2^k (1+f) and 1+f between the square roots of 1/2 and 2, let
// s = f/(2+f): then log(1+f) = f - f²/2 + s (f²/2 + R), R = 2s²/3 + 2s⁴/5 + …,
// of which ten terms leave less than 3e-19.
func Log(x float64) float64 {
	switch {
	case x != x || x > math.MaxFloat64:
		return x
	case x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	}
	k := 0
	if x < 0x1p-1022 { // subnormal
		x = float64(x * 0x1p54)
		k = -54
	}
	b := math.Float64bits(x)
	k += int(b>>52) - 1023
	m := math.Float64frombits(b&(1<<52-1) | 1023<<52)
	if m > math.Sqrt2 {
		m = float64(m * 0.5)
		k++
	}
	f := m - 1
	s := f / (2 + f)
	z := float64(s * s)
	r := 0.0
	for i := len(logTerms) - 1; i >= 0; i-- {
		r = float64(z * (logTerms[i] + r))
	}
	half := float64(float64(0.5*f) * f)
	n := float64(k)
	return float64(n*ln2Hi) - ((half - (float64(s*(half+r)) + float64(n*ln2Lo))) - f)
}

// logTerms are 2/3, 2/5 … 2/21.
var logTerms = [...]float64{2.0 / 3, 2.0 / 5, 2.0 / 7, 2.0 / 9, 2.0 / 11, 2.0 / 13, 2.0 / 15, 2.0 / 17, 2.0 / 19, 2.0 / 21}

// Log1p is Log(1+x) without cancellation near 0, within 2 ulp.
func Log1p(x float64) float64 {
	if math.Abs(x) < 0x1p-54 {
		return x
	}
	u := 1 + x
	if u <= 0 || u > math.MaxFloat64 || u != u {
		return Log(u)
	}
	lost := x - (u - 1) // what rounding u took away
	if x > 1 {
		lost = 1 - (u - x)
	}
	return Log(u) + lost/u
}

// Log10 is the logarithm to base 10, within 3 ulp.
func Log10(x float64) float64 { return Log(x) / math.Ln10 }

// Pow is x to the power of y for x >= 0, with a relative error below
// (2 + |y ln x|) 2^-52; whole powers up to 64 are multiplied out, within |y|
// ulp, and also take x < 0. Elsewhere it is NaN for x < 0.
func Pow(x, y float64) float64 {
	if n := int(max(-65, min(65, y))); float64(n) == y && n >= -64 && n <= 64 {
		out, base := 1.0, x
		for m := max(n, -n); m > 0; m >>= 1 {
			if m&1 == 1 {
				out = float64(out * base)
			}
			base = float64(base * base)
		}
		if n < 0 {
			return 1 / out
		}
		return out
	}
	switch {
	case x == 0 && y > 0:
		return 0
	case x == 0:
		return math.Inf(1)
	}
	return Exp(float64(y * Log(x)))
}
