// Package trend says how a reading changes: by the line of least squares, by
// a slope that no odd reading can spoil, and when the line will reach a limit.
//
// x is whatever the change is judged against (days, passages, thousands of
// operations) and y the reading; a slope is in units of y per unit of x, an
// intercept in units of y. Neither need be in order.
//
// Every result is made of + - * / and square root in a fixed order and of the
// functions of schema/num, so that the same numbers give the same bits on
// every platform. Nothing is drawn at random and nothing depends on the time.
package trend

import (
	"gatewright/schema/input/refuse"
	"gatewright/schema/num"
)

// points looks through the readings: at least `least` pairs of finite numbers,
// and not all at the same x.
func points(x, y []float64, least int) error {
	switch {
	case len(x) < least && least == 2:
		return refuse.Bad("x", "must hold at least 2 numbers")
	case len(x) < least:
		return refuse.Bad("x", "must hold at least 3 numbers")
	case len(y) != len(x):
		return refuse.Bad("y", "must be as long as x")
	case !allFinite(x):
		return refuse.Bad("x", "must hold finite numbers only")
	case !allFinite(y):
		return refuse.Bad("y", "must hold finite numbers only")
	}
	for _, v := range x {
		if v != x[0] {
			return nil
		}
	}
	return refuse.Bad("x", "must hold at least two different numbers")
}

func allFinite(v []float64) bool {
	for _, f := range v {
		if !finite(f) {
			return false
		}
	}
	return true
}

func finite(f float64) bool { return f-f == 0 }

func confident(c float64) error {
	if !(c > 0 && c < 1) {
		return refuse.Bad("confidence", "must be between 0 and 1, such as 0.95")
	}
	return nil
}

// normalFor is the z for which a standard normal value lies within plus or
// minus z with this probability. For a confidence so close to 1 that half of
// what is left out cannot be told from nothing, it is still finite.
func normalFor(confidence float64) float64 {
	return -num.NormalQuantile(float64(0.5 * (1 - confidence)))
}

// mean is the arithmetic mean; the second pass takes away what the first lost
// by rounding.
func mean(v []float64) float64 {
	n := float64(len(v))
	sum := 0.0
	for _, f := range v {
		sum += f
	}
	m := sum / n
	rest := 0.0
	for _, f := range v {
		rest += f - m
	}
	return m + rest/n
}

// median is the middle of sorted numbers, or the mean of the middle two.
func median(sorted []float64) float64 {
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	return float64(0.5*sorted[n/2-1]) + float64(0.5*sorted[n/2])
}

// sign is -1, 0 or 1.
func sign(f float64) int {
	switch {
	case f > 0:
		return 1
	case f < 0:
		return -1
	}
	return 0
}
