package num

import "math"

const twoPi = 6.28318530717958647693

// Binomial is the probability of k successes in n trials of probability p
// each, q being 1 - p (given apart, since one of them may be too near to 1 to
// tell the other), 0 <= k <= n; k and n need not be whole. Its relative error
// stays below 1e-13 + 1e-15 |ln of the result| for n up to 10000 and below
// 2e-11 up to 2,000,000,000, where factorials multiplied out keep five digits.
// NaN for arguments outside.
//
// Loader's way (Fast and Accurate Computation of Binomial Probabilities,
// 2000): Stirling's formula taken out of the factorials leaves
//
//	sqrt(n / (2 pi k (n-k))) exp(δ(n) - δ(k) - δ(n-k) - D(k, np) - D(n-k, nq))
//
// with D(x, m) = x ln(x/m) + m - x, in which nothing large cancels.
func Binomial(k, n, p, q float64) float64 {
	switch {
	case !(k >= 0 && k <= n && p >= 0 && p <= 1 && q >= 0 && q <= 1 && n <= math.MaxFloat64):
		return math.NaN()
	case k == 0:
		return power(q, p, n)
	case k == n:
		return power(p, q, n)
	case p == 0 || q == 0:
		return 0
	}
	rest := n - k
	e := stirlingRest(n) - stirlingRest(k) - stirlingRest(rest) - deviance(k, float64(n*p)) - deviance(rest, float64(n*q))
	return float64(Exp(e) * Sqrt(n/float64(float64(twoPi*k)*rest)))
}

// power is p^n, q being 1 - p.
func power(p, q, n float64) float64 {
	switch {
	case n == 0:
		return 1
	case p == 0:
		return 0
	case q < 0.5:
		return Exp(float64(n * Log1p(-q)))
	}
	return Exp(float64(n * Log(p)))
}

// stirlingRest is what Stirling's formula lacks of ln n!:
// LogGamma(n+1) - (n + 1/2) ln n + n - ln(2 pi)/2, for n > 0.
func stirlingRest(n float64) float64 {
	if n < 12 {
		return LogGamma(n+1) - (float64((n+0.5)*Log(n)) - n) - halfLog2Pi
	}
	return stirlingSeries(n)
}

// deviance is x ln(x/m) + m - x for x, m > 0: for x near m by the series in
// v = (x-m)/(x+m), which does not cancel.
func deviance(x, m float64) float64 {
	if math.Abs(x-m) >= float64(0.1*(x+m)) {
		return float64(x*Log(x/m)) + m - x
	}
	v := (x - m) / (x + m)
	sum := float64((x - m) * v)
	term := float64(float64(2*x) * v)
	square := float64(v * v)
	for j := 3.0; j < 41; j += 2 { // |v| < 0.1: twenty terms end below 1e-40
		term = float64(term * square)
		next := sum + term/j
		if next == sum {
			break
		}
		sum = next
	}
	return sum
}
