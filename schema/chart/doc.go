// Package chart holds control charts: individual readings against three
// standard deviations, the exponentially weighted mean (EWMA), the tabular
// cumulative sum (CUSUM), and proportions.
//
// Individuals, EWMA and CUSUM are also types that take one reading at a time;
// the calculations over a list are built on them, so that a list and its
// readings one by one say the same, bit for bit.
package chart

import (
	"math"

	"gatewright/schema/input/refuse"
)

// meanRangePerSigma is d2 for ranges of two, as printed in tables (2/sqrt(pi)
// is 1.12838): the mean moving range of normal readings is so many of their
// standard deviations.
const meanRangePerSigma = 1.128

func finite(f float64) bool { return f-f == 0 }

// numbers looks through a list of readings.
func numbers(field string, v []float64, least int) error {
	switch {
	case len(v) < least && least == 2:
		return refuse.Bad(field, "must hold at least 2 numbers")
	case len(v) < least:
		return refuse.Bad(field, "must hold at least 1 number")
	}
	for _, f := range v {
		if !finite(f) {
			return refuse.Bad(field, "must hold finite numbers only")
		}
	}
	return nil
}

// Baseline is what a process in order looks like, estimated from its first
// readings, which are in the order of time: their mean, their mean moving range
// (the mean of the differences of neighbours, without sign) and the standard
// deviation that follows, mean moving range / 1.128. A drift or a step among
// the readings hardly widens the moving range, as it would the standard
// deviation of all. With fewer than two readings the range is 0.
//
// A sigma of 0 says that the readings are rounded more coarsely than they
// scatter: no chart can be made of them.
func Baseline(values []float64) (mean, meanMovingRange, sigma float64) {
	n := float64(len(values))
	if n == 0 {
		return 0, 0, 0
	}
	for _, v := range values {
		mean += v
	}
	mean /= n
	for i := 1; i < len(values); i++ {
		meanMovingRange += math.Abs(values[i] - values[i-1])
	}
	if n > 1 {
		meanMovingRange /= n - 1
	}
	return mean, meanMovingRange, meanMovingRange / meanRangePerSigma
}
