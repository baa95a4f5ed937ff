package rates

import (
	"gatewright/schema/input/refuse"
	"gatewright/schema/num"
)

// IntervalInput is a count and how its interval is to be made.
type IntervalInput struct {
	Hits       int64   `json:"hits" doc:"trials that had it" min:"0" max:"1000000000"`
	Trials     int64   `json:"trials" doc:"trials in all" min:"1" max:"1000000000"`
	Confidence float64 `json:"confidence" doc:"probability with which the interval holds the true rate" above:"0" below:"1" default:"0.95"`
	Method     string  `json:"method" doc:"wilson: right on average; exact: never less sure than it says, and wider" one:"wilson exact" default:"wilson"`
}

// IntervalResult is a rate and its interval.
type IntervalResult struct {
	Rate float64 `json:"rate" doc:"hits / trials"`
	Low  float64 `json:"low" doc:"low end of the interval of the true rate"`
	High float64 `json:"high" doc:"high end"`
}

// Interval is the share of hits with a two-sided interval.
//
// wilson, the score interval: with z the normal quantile,
//
//	(p + z²/2n ± z sqrt(p (1-p)/n + z²/4n²)) / (1 + z²/n)
//
// exact, of Clopper and Pearson: with a = (1 - confidence)/2, the quantile a
// of the Beta distribution (hits, trials - hits + 1), and the quantile 1 - a
// of (hits + 1, trials - hits).
//
// With no hits the low end is 0, with nothing but hits the high end is 1. Up to
// 1,000,000,000 trials. Errors: hits above trials, a confidence outside 0 to 1.
//
// Source: Wilson, J. Amer. Statist. Assoc. 22 (1927) 209-212; Clopper and
// Pearson, Biometrika 26 (1934) 404-413; Newcombe, Statistics in Medicine 17
// (1998) 857-872.
func Interval(in IntervalInput) (IntervalResult, error) {
	if err := confident(in.Confidence); err != nil {
		return IntervalResult{}, err
	}
	if err := counted("hits", in.Hits, "trials", in.Trials); err != nil {
		return IntervalResult{}, err
	}
	out := IntervalResult{Rate: float64(in.Hits) / float64(in.Trials)}
	tail := float64(0.5 * (1 - in.Confidence))
	switch in.Method {
	case "wilson":
		out.Low, out.High = wilson(in.Hits, in.Trials, -num.NormalQuantile(tail))
	case "exact":
		out.Low, out.High = exact(in.Hits, in.Trials, tail)
	default:
		return IntervalResult{}, refuse.Bad("method", "must be wilson or exact")
	}
	return out, nil
}

// wilson's interval at z standard deviations. The low end is written with the
// conjugate, which spares the digits that a difference loses: the product of
// both ends is p²/(1 + z²/n).
func wilson(hits, trials int64, z float64) (low, high float64) {
	k, n := float64(hits), float64(trials)
	p, q := k/n, (n-k)/n
	zz := float64(z*z) / n
	half := num.Sqrt(float64(zz * (float64(p*q) + float64(0.25*zz))))
	middle := p + float64(0.5*zz)
	if hits > 0 { // else 0, and 0/0 at a confidence so small that z is 0
		low = float64(p*p) / (middle + half)
	}
	if high = (middle + half) / (1 + zz); hits == trials {
		high = 1
	}
	return low, high
}

// exact are Clopper and Pearson's limits, each leaving out tail.
func exact(hits, trials int64, tail float64) (low, high float64) {
	k, n := float64(hits), float64(trials)
	low, high = 0, 1
	if hits > 0 {
		low = num.BetaQuantile(k, n-k+1, tail)
	}
	if hits < trials {
		high = num.BetaQuantile(k+1, n-k, 1-tail)
	}
	return low, high
}
