package num

import "math"

const (
	twoOverSqrtPi = 1.12837916709551257390
	oneOverSqrtPi = 0.56418958354775628695
	sqrt2Pi       = 2.50662827463100050242
)

// Erf is the error function, 2/sqrt(pi) times the integral of exp(-t²) from 0
// to x, with a relative error below 2e-15.
//
// Up to 0.75 in magnitude it is the series 2/sqrt(pi) exp(-x²) times the sum
// of 2^n x^(2n+1) / (1·3·…·(2n+1)), all of one sign; beyond, 1 - Erfc(x).
func Erf(x float64) float64 {
	switch {
	case x != x:
		return x
	case x < 0:
		return -Erf(-x)
	case x < 0.75:
		return erfSeries(x)
	}
	return 1 - erfcFraction(x)
}

// Erfc is 1 - Erf(x), with a relative error below 4e-15 down to results of
// 1e-300.
//
// From 0.75 on it is Laplace's continued fraction, exp(-x²)/sqrt(pi) /
// (x + 1/2 /(x + 1 /(x + 3/2 /(x + …)))), taken from far enough back.
func Erfc(x float64) float64 {
	switch {
	case x != x:
		return x
	case x < 0:
		return 2 - Erfc(-x)
	case x < 0.75:
		return 1 - erfSeries(x)
	}
	return erfcFraction(x)
}

func erfSeries(x float64) float64 {
	twice := float64(2 * float64(x*x))
	term, sum := x, x
	for n := 3.0; term > float64(sum*0x1p-60); n += 2 {
		term = float64(term*twice) / n
		sum += term
	}
	return float64(float64(twoOverSqrtPi*expMinusSquare(x)) * sum)
}

func erfcFraction(x float64) float64 {
	if x > 28 {
		return 0 // below the least float64
	}
	// The error after n levels falls as exp(-2x sqrt(2n)): 37 makes 1e-16.
	d := x
	for n := math.Floor(20 + 180/float64(x*x)); n > 0; n-- {
		d = x + float64(n*0.5)/d
	}
	return float64(oneOverSqrtPi*expMinusSquare(x)) / d
}

// expMinusSquare is exp(-x²). The square of a rounded x would be wrong by up
// to x² 2^-53, which exp turns into a relative error: so x is split into a
// head whose square is exact and a tail.
func expMinusSquare(x float64) float64 {
	head := math.Float64frombits(math.Float64bits(x) &^ (1<<32 - 1))
	return float64(Exp(-float64(head*head)) * Exp(-float64((x-head)*(x+head))))
}

// NormalCDF is the probability that a standard normal value is at most x, with
// a relative error below (8 + x²) 2^-52 where it is above 1e-300.
func NormalCDF(x float64) float64 { return float64(0.5 * Erfc(-x/math.Sqrt2)) }

// NormalQuantile is the x for which NormalCDF is p: minus and plus infinity at
// 0 and 1, NaN outside, otherwise within 2e-15 (1 + |x|) for p from 1e-300 on.
//
// The start (Abramowitz and Stegun 26.2.23, within 5e-4) is made good by three
// of Halley's steps, each of which cubes the error.
func NormalQuantile(p float64) float64 {
	switch {
	case p == 0:
		return math.Inf(-1)
	case p == 1:
		return math.Inf(1)
	case !(p > 0 && p < 1):
		return math.NaN()
	case p == 0.5:
		return 0
	case p > 0.5:
		return -NormalQuantile(1 - p) // exact from 0.5 to 1
	}
	logP := Log(p)
	t := Sqrt(float64(-2 * logP))
	top := 2.515517 + float64(t*(0.802853+float64(t*0.010328)))
	bottom := 1 + float64(t*(1.432788+float64(t*(0.189269+float64(t*0.001308)))))
	x := top/bottom - t
	for range 3 {
		// (CDF(x) - p) / density(x), arranged so that nothing over- or underflows.
		u := float64(float64(sqrt2Pi*Exp(float64(float64(0.5*x)*x)+logP)) * (NormalCDF(x)/p - 1))
		x -= u / (1 + float64(float64(0.5*x)*u))
	}
	return x
}
