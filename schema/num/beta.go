package num

import "math"

const halfLog2Pi = 0.91893853320467274178

// LogGamma is the logarithm of the gamma function for x > 0, with an error
// below 1e-14 (1 + |result|) up to 1e15; NaN elsewhere.
//
// Stirling's series from 12 on, to the term in x^-13; smaller x are moved up
// by gamma(x+1) = x gamma(x).
func LogGamma(x float64) float64 {
	if !(x > 0) || x > math.MaxFloat64 {
		if x > 0 {
			return x
		}
		return math.NaN()
	}
	product := 1.0
	for ; x < 12; x++ {
		product = float64(product * x)
	}
	return (float64((x-0.5)*Log(x)) - x) + (halfLog2Pi + stirlingSeries(x)) - Log(product)
}

// stirlingSeries is the sum of B(2n) / (2n (2n-1) x^(2n-1)) for x from 12 on.
func stirlingSeries(x float64) float64 {
	inv := 1 / x
	z := float64(inv * inv)
	p := 0.0
	for i := len(stirling) - 1; i >= 0; i-- {
		p = stirling[i] + float64(z*p)
	}
	return float64(inv * p)
}

// stirling are B(2n) / (2n (2n-1)), B being Bernoulli's numbers.
var stirling = [...]float64{1.0 / 12, -1.0 / 360, 1.0 / 1260, -1.0 / 1680, 1.0 / 1188, -691.0 / 360360, 1.0 / 156}

// BetaInc is the regularised incomplete beta function, the probability that a
// Beta(a, b) value is at most x, for a, b > 0 and x from 0 to 1. Its relative
// error stays below 1e-12 for a, b from 0.5 to 10000 and below 1e-8 up to
// 1,000,000,000, for results above 1e-100.
//
// Lentz's way through the continued fraction of DLMF 8.17.22, on the side of
// the mean where it converges fast.
func BetaInc(a, b, x float64) float64 {
	switch {
	case !(a > 0 && b > 0 && x >= 0 && x <= 1):
		return math.NaN()
	case x == 0 || x == 1:
		return x
	}
	// x^a (1-x)^b / B(a, b)
	front := float64(Binomial(a, a+b, x, 1-x) * float64(a*(b/(a+b))))
	if x < (a+1)/(a+b+2) {
		return float64(front*betaFraction(a, b, x)) / a
	}
	return 1 - float64(front*betaFraction(b, a, 1-x))/b
}

func betaFraction(a, b, x float64) float64 {
	const tiny = 1e-300
	away := func(v float64) float64 { // from zero
		if math.Abs(v) < tiny {
			return tiny
		}
		return v
	}
	c := 1.0
	d := 1 / away(1-float64((a+b)*x)/(a+1))
	h := d
	for m := 1.0; m < 20000; m++ {
		am := a + float64(2*m)
		even := float64(float64(m*(b-m))*x) / float64((am-1)*am)
		d = 1 / away(1+float64(even*d))
		c = away(1 + even/c)
		h = float64(h * float64(d*c))
		odd := -float64(float64((a+m)*(a+b+m))*x) / float64(am*(am+1))
		d = 1 / away(1+float64(odd*d))
		c = away(1 + odd/c)
		step := float64(d * c)
		h = float64(h * step)
		if math.Abs(step-1) < 1e-16 {
			break
		}
	}
	return h
}

// BetaQuantile is the x for which BetaInc(a, b, x) is p, found by halving the
// range of float64 values between 0 and 1: as exact as BetaInc is.
func BetaQuantile(a, b, p float64) float64 {
	switch {
	case !(a > 0 && b > 0 && p >= 0 && p <= 1):
		return math.NaN()
	case p == 0 || p == 1:
		return p
	}
	low, high := uint64(0), math.Float64bits(1)
	for high-low > 1 {
		mid := low + (high-low)/2
		if BetaInc(a, b, math.Float64frombits(mid)) < p {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Float64frombits(high)
}

// StudentCDF is the probability that Student's t with nu > 0 degrees of
// freedom is at most t.
func StudentCDF(t, nu float64) float64 {
	if !(nu > 0) || t != t {
		return math.NaN()
	}
	square := float64(t * t)
	var upper float64 // beyond |t|
	if square < 1 {   // beyond, the difference from 1 would lose digits
		upper = float64(0.5 * (1 - BetaInc(0.5, float64(0.5*nu), square/(nu+square))))
	} else {
		upper = float64(0.5 * BetaInc(float64(0.5*nu), 0.5, nu/(nu+square)))
	}
	if t < 0 {
		return upper
	}
	return 1 - upper
}

// StudentQuantile is the t for which StudentCDF is p, with a relative error
// below 1e-10 for nu from 1 to 10000 and p from 1e-6 to 1 - 1e-6.
func StudentQuantile(p, nu float64) float64 {
	switch {
	case !(nu > 0 && p >= 0 && p <= 1):
		return math.NaN()
	case p == 0:
		return math.Inf(-1)
	case p == 1:
		return math.Inf(1)
	case p > 0.5:
		return -StudentQuantile(1-p, nu)
	case p > 0.25: // near the middle, where t² is small
		y := BetaQuantile(0.5, float64(0.5*nu), 1-float64(2*p))
		return -Sqrt(float64(nu*y) / (1 - y))
	}
	x := BetaQuantile(float64(0.5*nu), 0.5, float64(2*p))
	return -Sqrt(float64(nu*(1-x)) / x)
}
