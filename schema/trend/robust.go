package trend

import (
	"slices"

	"gatewright/schema/input/refuse"
	"gatewright/schema/num"
)

// RobustInput are readings y at x.
type RobustInput struct {
	X          []float64 `json:"x" doc:"when, or after how much use, each reading was taken" len:"2" most:"2000" min:"-1e100" max:"1e100"`
	Y          []float64 `json:"y" doc:"the readings" same:"x" most:"2000" min:"-1e100" max:"1e100"`
	Confidence float64   `json:"confidence" doc:"probability with which the interval holds the slope" above:"0" below:"1" default:"0.95"`
}

// RobustResult is a trend that a few odd readings do not move.
type RobustResult struct {
	Slope     float64  `json:"slope" doc:"median of the slopes between every two readings (Theil and Sen), y per unit of x"`
	Intercept float64  `json:"intercept" doc:"median of y minus slope times median of x"`
	S         int64    `json:"s" doc:"pairs of readings that rise less pairs that fall (Mann and Kendall)"`
	VarS      float64  `json:"var_s" doc:"variance of s when there is no trend, corrected for ties"`
	Z         float64  `json:"z" doc:"s, one nearer to zero, in its standard deviations"`
	PValue    float64  `json:"p_value" doc:"probability, without a trend, of an s as far from zero: two-sided, by the normal distribution of z"`
	PExact    *float64 `json:"p_exact" doc:"the same by counting every order; for at most ten readings without ties, where the normal distribution is rough"`
	SlopeLow  *float64 `json:"slope_low" doc:"low end of the interval of the slope; left out when there are too few readings for this confidence"`
	SlopeHigh *float64 `json:"slope_high" doc:"high end; left out likewise"`
	Pairs     int64    `json:"pairs" doc:"slopes that were used: pairs of readings at different x"`
}

// mostRobust readings have half as many slopes as their square: 16 MB.
const mostRobust = 2000

// Robust is the trend by ranks, for at least two and at most 2000 readings:
//
//	slope      the median of (y_j - y_i) / (x_j - x_i) over every pair with
//	           x_i different from x_j (Theil 1950, Sen 1968)
//	intercept  median y - slope median x (Conover 1980)
//	s          Σ over pairs of sign(x_j - x_i) sign(y_j - y_i)
//	var_s      [n(n-1)(2n+5) - Σ t(t-1)(2t+5) - Σ u(u-1)(2u+5)] / 18
//	           + Σ t(t-1)(t-2) Σ u(u-1)(u-2) / (9 n(n-1)(n-2))
//	           + Σ t(t-1) Σ u(u-1) / (2 n(n-1))
//	           with t the sizes of groups of equal y and u of equal x
//	z          (s - 1) / sqrt(var_s) above zero, (s + 1) / sqrt(var_s) below,
//	           0 when s is 0
//	p_value    erfc(|z| / sqrt 2)
//
// The interval of the slope is Gilbert's: with N slopes in order, z' the
// normal quantile of the confidence and C = z' sqrt(var_s), its ends are the
// slopes of rank (N - C)/2 and (N + C)/2 + 1, counted from 1. Between two
// whole ranks it is interpolated linearly: rank 3.25 is a quarter of the way
// from the third slope to the fourth. When a rank is below 1 or above N there
// are too few readings to be so confident, and both ends are left out: taking
// the outermost slopes would claim more than they hold.
//
// With fewer than about ten readings the normal distribution only roughly
// gives p_value; p_exact then counts the orders (Kendall). Readings that
// depend on their neighbours make every p too small.
//
// For at most 30 readings nothing is allocated but the results left out here
// by nil. Errors: too few readings or too many, all at one x, a confidence
// outside 0 to 1, slopes beyond the greatest number.
//
// Source: Gilbert, Statistical Methods for Environmental Pollution Monitoring
// (1987), chapters 16 and 17; US EPA, Unified Guidance, EPA 530/R-09-007
// (2009), section 17.3; Kendall, Rank Correlation Methods, 4th ed. (1970),
// chapter 4 (ties in both); p_exact: chapter 5.
func Robust(in RobustInput) (RobustResult, error) {
	x, y := in.X, in.Y
	if err := confident(in.Confidence); err != nil {
		return RobustResult{}, err
	}
	if len(x) > mostRobust {
		return RobustResult{}, refuse.Bad("x", "must hold at most 2000 numbers: every two of them are compared")
	}
	if err := points(x, y, 2); err != nil {
		return RobustResult{}, err
	}
	var small [30 * 29 / 2]float64
	slopes := small[:0]
	if n := len(x); n > 30 {
		slopes = make([]float64, 0, n*(n-1)/2)
	}
	s := 0
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			dx, dy := x[j]-x[i], y[j]-y[i]
			if dx == 0 {
				continue
			}
			s += sign(dx) * sign(dy)
			slope := dy / dx
			if !finite(slope) || !finite(dy) || !finite(dx) {
				return RobustResult{}, refuse.Bad("y", "must not change so steeply: a slope cannot be written as a number")
			}
			slopes = append(slopes, slope+0) // minus zero becomes zero
		}
	}
	slices.Sort(slopes)

	var low30, high30 [30]float64
	xs, ys := append(low30[:0], x...), append(high30[:0], y...)
	slices.Sort(xs)
	slices.Sort(ys)

	out := RobustResult{Slope: median(slopes), S: int64(s), Pairs: int64(len(slopes))}
	out.Intercept = median(ys) - float64(out.Slope*median(xs)) + 0
	if !finite(out.Intercept) {
		return RobustResult{}, refuse.Bad("x", "must be nearer to zero: the intercept cannot be written as a number")
	}
	tx, ty := tiesOf(xs), tiesOf(ys)
	out.VarS = varianceOfS(float64(len(x)), tx, ty)
	switch {
	case out.VarS > 0 && s > 0:
		out.Z = float64(s-1) / num.Sqrt(out.VarS)
	case out.VarS > 0 && s < 0:
		out.Z = float64(s+1) / num.Sqrt(out.VarS)
	}
	out.PValue = num.Erfc(max(out.Z, -out.Z) / sqrt2)
	if len(x) <= mostExact && tx.pairs == 0 && ty.pairs == 0 {
		p := exactP(len(x), s)
		out.PExact = &p
	}
	out.SlopeLow, out.SlopeHigh = gilbert(slopes, float64(normalFor(in.Confidence)*num.Sqrt(out.VarS)))
	return out, nil
}

const sqrt2 = 1.41421356237309504880

// ties are sums over groups of equal values.
type ties struct{ pairs, triples, weighted float64 }

// tiesOf sums t(t-1), t(t-1)(t-2) and t(t-1)(2t+5) over the groups.
func tiesOf(sorted []float64) ties {
	var out ties
	for i := 0; i < len(sorted); {
		j := i
		for j < len(sorted) && sorted[j] == sorted[i] {
			j++
		}
		t := float64(j - i)
		pairs := float64(t * (t - 1))
		out.pairs += pairs
		out.triples += float64(pairs * (t - 2))
		out.weighted += float64(pairs * (float64(2*t) + 5))
		i = j
	}
	return out
}

// varianceOfS is that of Kendall's S with ties in both. The sums are whole
// numbers below 2^53, so their order does not matter.
func varianceOfS(n float64, x, y ties) float64 {
	pairs := float64(n * (n - 1))
	v := (float64(pairs*(float64(2*n)+5)) - x.weighted - y.weighted) / 18
	if n > 2 {
		v += float64(x.triples*y.triples) / float64(float64(9*pairs)*(n-2))
	}
	v += float64(x.pairs*y.pairs) / float64(2*pairs)
	return max(v, 0)
}

// gilbert reads the ends of the interval off the slopes in order; c is the
// confidence's multiple of the standard deviation of S.
func gilbert(slopes []float64, c float64) (low, high *float64) {
	n := float64(len(slopes))
	first, last := float64(0.5*(n-c)), float64(0.5*(n+c))+1
	if !(first >= 1 && last <= n) {
		return nil, nil
	}
	a, b := ranked(slopes, first), ranked(slopes, last)
	return &a, &b
}

// ranked is the value of a rank from 1 to len, between whole ranks in
// proportion.
func ranked(sorted []float64, rank float64) float64 {
	i := int(rank)
	part := rank - float64(i)
	if part == 0 {
		return sorted[i-1]
	}
	return sorted[i-1] + float64(part*(sorted[i]-sorted[i-1]))
}

// mostExact readings: from here on Kendall's tables give way to the normal
// distribution.
const mostExact = 10

// exactP is the two-sided probability of |S| >= |s| when each of the n! orders
// is as likely: the count of orders with k inversions is built up by putting
// in one reading after another, S being n(n-1)/2 - 2k.
func exactP(n, s int) float64 {
	var orders, next [mostExact*(mostExact-1)/2 + 1]int64
	orders[0] = 1
	all := int64(1)
	most := 0 // inversions
	for m := 2; m <= n; m++ {
		most += m - 1
		for k := 0; k <= most; k++ {
			next[k] = 0
			for j := 0; j < m && j <= k; j++ {
				next[k] += orders[k-j]
			}
		}
		orders = next
		all *= int64(m)
	}
	if s < 0 {
		s = -s
	}
	var count int64
	for k := 0; k <= most; k++ {
		if d := most - 2*k; d >= s || -d >= s {
			count += orders[k]
		}
	}
	return float64(count) / float64(all)
}
