// Package tolerance says whether what was measured is within its limits, when
// the measurement itself is uncertain.
package tolerance

import (
	"math"

	"gatewright/schema/input"
	"gatewright/schema/num"
)

// CheckInput is a measured value, its standard uncertainty, and the limits.
type CheckInput struct {
	Value float64  `json:"value" doc:"what was measured" min:"-1e100" max:"1e100"`
	U     float64  `json:"u" doc:"standard uncertainty of the value (one standard deviation, k = 1), in its unit" min:"0" max:"1e100"`
	Low   *float64 `json:"low" doc:"lower limit, itself within; left out when there is none" min:"-1e100" max:"1e100"`
	High  *float64 `json:"high" doc:"upper limit, itself within; left out when there is none" min:"-1e100" max:"1e100"`
	Guard float64  `json:"guard" doc:"width of the guard band on either side of a limit, in standard uncertainties" min:"0" max:"1000" default:"1.65"`
}

// CheckResult is the verdict and how sure it is.
type CheckResult struct {
	PWithin     float64  `json:"p_within" doc:"probability that the true value is within the limits"`
	PBelow      float64  `json:"p_below" doc:"probability that it is below the lower limit"`
	PAbove      float64  `json:"p_above" doc:"probability that it is above the upper limit"`
	Verdict     string   `json:"verdict" doc:"inside: shown to be within; outside: shown to be beyond; doubtful: so near to a limit that neither is shown" one:"inside outside doubtful"`
	GuardedLow  *float64 `json:"guarded_low" doc:"least value that is inside: low + guard u"`
	GuardedHigh *float64 `json:"guarded_high" doc:"greatest value that is inside: high - guard u"`
}

// What Check says.
const (
	Inside   = "inside"
	Outside  = "outside"
	Doubtful = "doubtful"
)

// DefaultGuard is the factor of the guard band by default: 1.65 standard
// uncertainties, which shows conformity, or the lack of it, with at least 95 %
// probability at a single limit (1.645 rounded up). It is the default rule of
// ISO 14253-1:2017 (from memory); the editions before took the whole expanded
// uncertainty, guard 2.
const DefaultGuard = 1.65

// Check holds a value against one limit or two.
//
// The true value is taken to be normal about the measured one with standard
// deviation u, nothing else being known of it (JCGM 106:2012, 7.2 to 7.4):
//
//	p_below  = Φ((low - value) / u)
//	p_above  = Φ((value - high) / u)
//	p_within = 1 - p_below - p_above
//
// The verdict goes by guard bands of guard times u about each limit. It is
// inside from guarded_low to guarded_high, ends included; outside when the
// value is beyond a limit by more than guard u; doubtful otherwise. Ends
// reckoned in binary count as met by a decimal that meets them but for
// rounding (1e-12 of the numbers). Where the limits are nearer to one another
// than twice the guard band, guarded_low is above guarded_high and nothing is
// inside: the instrument is too coarse for the limits. Where they are not much
// further apart, both tails count, and a value that is inside may be within
// with a little less than 95 %: p_within has it exactly.
//
// With u = 0 the value is the true one: p_within is 0 or 1 and nothing is
// doubtful. With guard = 0 the verdict is that of the value alone.
//
// Errors: no limit at all, low above high, numbers that are not finite.
//
// Source: JCGM 106:2012, Evaluation of measurement data - The role of
// measurement uncertainty in conformity assessment; ISO 14253-1:2017.
func Check(in CheckInput) (CheckResult, error) {
	switch {
	case !finite(in.Value):
		return CheckResult{}, input.Bad("value", "must be a finite number")
	case !(in.U >= 0) || !finite(in.U):
		return CheckResult{}, input.Bad("u", "must be 0 or above")
	case in.Low != nil && !finite(*in.Low):
		return CheckResult{}, input.Bad("low", "must be a finite number")
	case in.High != nil && !finite(*in.High):
		return CheckResult{}, input.Bad("high", "must be a finite number")
	case !(in.Guard >= 0) || !finite(in.Guard):
		return CheckResult{}, input.Bad("guard", "must be 0 or above")
	case in.Low == nil && in.High == nil:
		return CheckResult{}, input.Bad("low", "must be given, or high, or both: there is no limit to hold the value against")
	case in.Low != nil && in.High != nil && *in.Low > *in.High:
		return CheckResult{}, input.Bad("low", "must not be above high")
	}
	// Without a limit its distance is infinite.
	overLow, underHigh := math.Inf(1), math.Inf(1)
	if in.Low != nil {
		overLow = in.Value - *in.Low
	}
	if in.High != nil {
		underHigh = *in.High - in.Value
	}
	var out CheckResult
	out.PBelow, out.PAbove = beyond(overLow, in.U), beyond(underHigh, in.U)
	switch {
	case underHigh < 0: // a difference of small tails keeps its digits
		out.PWithin = beyond(-underHigh, in.U) - out.PBelow
	case overLow < 0:
		out.PWithin = beyond(-overLow, in.U) - out.PAbove
	default:
		out.PWithin = 1 - out.PBelow - out.PAbove
	}
	out.PWithin = max(0, out.PWithin)

	band := float64(in.Guard * in.U)
	low, high := stands(overLow, in.Low, in.Value, band), stands(underHigh, in.High, in.Value, band)
	switch {
	case low == beyondBand || high == beyondBand:
		out.Verdict = Outside
	case low == withinBand && high == withinBand:
		out.Verdict = Inside
	default:
		out.Verdict = Doubtful
	}
	if in.Low != nil {
		g := *in.Low + band
		out.GuardedLow = &g
	}
	if in.High != nil {
		g := *in.High - band
		out.GuardedHigh = &g
	}
	if out.GuardedLow != nil && !finite(*out.GuardedLow) || out.GuardedHigh != nil && !finite(*out.GuardedHigh) {
		return CheckResult{}, input.Bad("u", "must be smaller: a guarded limit cannot be written as a number")
	}
	return out, nil
}

func finite(f float64) bool { return f-f == 0 }

// beyond is the probability that the true value is past a limit at this
// distance ahead of the measured one (negative: it was passed).
func beyond(distance, u float64) float64 {
	switch {
	case u > 0:
		return num.NormalCDF(-distance / u)
	case distance < 0:
		return 1
	}
	return 0
}

// Where a value stands to one limit.
const (
	withinBand = iota
	inBand
	beyondBand
)

// stands compares the distance to a limit with the guard band.
func stands(distance float64, limit *float64, value, band float64) int {
	if limit == nil {
		return withinBand
	}
	rounding := 0.0
	if band > 0 {
		rounding = float64(1e-12 * (math.Abs(value) + math.Abs(*limit) + band))
	}
	switch {
	case distance >= band-rounding:
		return withinBand
	case distance < -band-rounding:
		return beyondBand
	}
	return inBand
}
