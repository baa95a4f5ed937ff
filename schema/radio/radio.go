// Package radio estimates the way of a radio link across a yard: the loss in
// free space, and how fast the level that was measured falls with distance.
package radio

import (
	"math"

	"gatewright/schema/input"
	"gatewright/schema/num"
)

// FreeSpaceInput is a link without anything in the way.
type FreeSpaceInput struct {
	MHz float64 `json:"mhz" unit:"MHz" doc:"frequency" min:"1" max:"300000"`
	KM  float64 `json:"km" unit:"km" doc:"distance between the antennas" above:"0" max:"100000"`
}

// FreeSpaceResult is its loss.
type FreeSpaceResult struct {
	LossDB float64 `json:"loss_db" unit:"dB" doc:"basic transmission loss between isotropic antennas"`
}

// FreeSpace computes loss = 32.4 + 20 log10(f in MHz) + 20 log10(d in km), the
// least that a link of that length loses; buildings, animals and rain add to
// it. (The constant is 32.4478 exactly; it is taken as the Recommendation
// prints it.)
//
// It holds in the far field only and refuses a distance below one wavelength
// (299.8/f metres): electronic ear tags at 134 kHz couple by a magnetic field
// and have no such loss.
//
// Source: Recommendation ITU-R P.525, calculation of free-space attenuation.
func FreeSpace(in FreeSpaceInput) (FreeSpaceResult, error) {
	if !(in.MHz > 0) || math.IsInf(in.MHz, 0) {
		return FreeSpaceResult{}, input.Bad("mhz", "must be a number above 0")
	}
	if !(in.KM > 0) || math.IsInf(in.KM, 0) {
		return FreeSpaceResult{}, input.Bad("km", "must be a number above 0")
	}
	if in.KM < 0.299792458/in.MHz {
		return FreeSpaceResult{}, input.Bad("km", "must be at least one wavelength, 0.2998 divided by mhz: nearer there is no free-space loss")
	}
	return FreeSpaceResult{LossDB: 32.4 + float64(20*(num.Log10(in.MHz)+num.Log10(in.KM)))}, nil
}

// FitInput are levels measured along a line from the transmitter.
type FitInput struct {
	DistanceM    []float64 `json:"distance_m" unit:"m" doc:"distances from the transmitter" above:"0" max:"100000000"`
	LevelDBm     []float64 `json:"level_dbm" unit:"dBm" doc:"levels received there" min:"-300" max:"100" same:"distance_m"`
	ReferenceM   float64   `json:"reference_m" unit:"m" doc:"distance that reference_dbm belongs to, often 1" above:"0" max:"100000000"`
	ReferenceDBm *float64  `json:"reference_dbm" unit:"dBm" doc:"level known there; fitted without it" min:"-300" max:"100"`
}

// FitResult is the line through them.
type FitResult struct {
	Exponent     float64  `json:"exponent" doc:"path loss exponent: 2 in free space, more where something is in the way"`
	ReferenceDBm float64  `json:"reference_dbm" unit:"dBm" doc:"level at reference_m, as given or fitted"`
	RMSDB        float64  `json:"rms_db" unit:"dB" doc:"root mean square of the residuals, divided by their number"`
	SDDB         *float64 `json:"sd_db" unit:"dB" doc:"standard deviation about the line, unbiased: divided by the number less the parameters fitted; none when nothing is left over"`
}

// Fit fits level = reference_dbm - 10 exponent log10(distance/reference_m) by
// least squares. With the reference given one parameter is fitted, otherwise
// two, and rms_db and sd_db differ by that: sqrt(SS/n) and sqrt(SS/(n-1)) or
// sqrt(SS/(n-2)).
//
// It refuses distances that say nothing of a slope: fewer than two different
// ones, or, with the reference given, none but reference_m itself.
//
// Source: the log-distance path loss model, T. S. Rappaport, Wireless
// Communications: Principles and Practice, section 4.9.
func Fit(in FitInput) (FitResult, error) {
	n := len(in.DistanceM)
	switch {
	case n == 0:
		return FitResult{}, input.Bad("distance_m", "must have at least one number")
	case len(in.LevelDBm) != n:
		return FitResult{}, input.Bad("level_dbm", "must be as long as distance_m")
	case !(in.ReferenceM > 0) || math.IsInf(in.ReferenceM, 0):
		return FitResult{}, input.Bad("reference_m", "must be a number above 0")
	case in.ReferenceDBm != nil && *in.ReferenceDBm-*in.ReferenceDBm != 0:
		return FitResult{}, input.Bad("reference_dbm", "must be a number")
	}
	base := num.Log10(in.ReferenceM)
	x := make([]float64, n) // -10 log10(d/d0), whose slope is the exponent
	for i, d := range in.DistanceM {
		if !(d > 0) || math.IsInf(d, 0) {
			return FitResult{}, input.Bad("distance_m", "must have numbers above 0")
		}
		if in.LevelDBm[i]-in.LevelDBm[i] != 0 {
			return FitResult{}, input.Bad("level_dbm", "must have numbers")
		}
		x[i] = float64(-10 * (num.Log10(d) - base))
	}
	meanX, meanY := mean(x), mean(in.LevelDBm)
	fitted := 2
	if in.ReferenceDBm != nil {
		fitted, meanX, meanY = 1, 0, *in.ReferenceDBm // through (0, reference)
	}
	var sxx, sxy float64
	for i := range x {
		dx := x[i] - meanX
		sxx += float64(dx * dx)
		sxy += float64(dx * (in.LevelDBm[i] - meanY))
	}
	if different := spread(in.DistanceM, in.ReferenceM, fitted == 1); !different || sxx == 0 {
		if fitted == 1 {
			return FitResult{}, input.Bad("distance_m", "must have a distance other than reference_m")
		}
		return FitResult{}, input.Bad("distance_m", "must have two different distances, unless reference_dbm is given")
	}
	out := FitResult{Exponent: sxy / sxx}
	out.ReferenceDBm = meanY - float64(out.Exponent*meanX)
	var ss float64
	for i := range x {
		e := in.LevelDBm[i] - meanY - float64(out.Exponent*(x[i]-meanX))
		ss += float64(e * e)
	}
	out.RMSDB = num.Sqrt(ss / float64(n))
	if left := n - fitted; left > 0 {
		sd := num.Sqrt(ss / float64(left))
		out.SDDB = &sd
	}
	if out.Exponent-out.Exponent != 0 || out.ReferenceDBm-out.ReferenceDBm != 0 || out.RMSDB-out.RMSDB != 0 || out.SDDB != nil && *out.SDDB-*out.SDDB != 0 {
		return FitResult{}, input.Bad("level_dbm", "must have smaller numbers: the result is beyond the greatest number")
	}
	return out, nil
}

// spread says whether the distances differ from one another or, with the
// reference given, from its distance.
func spread(distances []float64, reference float64, given bool) bool {
	if !given {
		reference = distances[0]
	}
	for _, d := range distances {
		if d != reference {
			return true
		}
	}
	return false
}

func mean(xs []float64) float64 {
	sum := 0.0
	for _, x := range xs {
		sum += x
	}
	return sum / float64(len(xs))
}
