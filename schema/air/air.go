// Package air computes what a gate's compressed air does: a ram's thrust and
// air, leaks by two methods, and flow through a valve or restrictor.
//
// Gauge pressures count from the surrounding atmosphere, absolute ones from
// vacuum. Free air is air as the compressor draws it in, at the atmosphere's
// pressure; ANR is air at 100 kPa, 20 °C and 65 % humidity (ISO 8778).
package air

import (
	"math"

	"gatewright/schema/input"
)

// standardAtmosphere is 101 325 Pa in bar: what a missing atmosphere_bar means.
const standardAtmosphere = 1.01325

// checked is the problem of a field that is no number or breaks its bound.
func checked(field string, x float64, ok bool, message string) error {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return input.Bad(field, "must be a number")
	}
	if !ok {
		return input.Bad(field, message)
	}
	return nil
}

func first(problems ...error) error {
	for _, p := range problems {
		if p != nil {
			return p
		}
	}
	return nil
}

func orElse(p *float64, value float64) float64 {
	if p == nil {
		return value
	}
	return *p
}

// finite says whether all results are numbers.
func finite(xs ...float64) bool {
	for _, x := range xs {
		if x-x != 0 {
			return false
		}
	}
	return true
}
