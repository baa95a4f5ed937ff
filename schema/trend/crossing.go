package trend

import (
	"gatewright/schema/input/refuse"
	"gatewright/schema/num"
)

// CrossingInput are readings y at x and the limit they may come to.
type CrossingInput struct {
	X          []float64 `json:"x" doc:"when, or after how much use, each reading was taken" len:"3" min:"-1e100" max:"1e100"`
	Y          []float64 `json:"y" doc:"the readings" same:"x" min:"-1e100" max:"1e100"`
	Limit      float64   `json:"limit" doc:"the reading at which the line is to arrive" min:"-1e100" max:"1e100"`
	Confidence float64   `json:"confidence" doc:"probability with which the interval holds the crossing" above:"0" below:"1" default:"0.95"`
}

// CrossingResult is where the line meets the limit.
type CrossingResult struct {
	At       float64  `json:"at" doc:"the x at which the line of least squares meets the limit"`
	Low      *float64 `json:"low" doc:"least x at which one new reading could be at the limit; left out when the interval has no end"`
	High     *float64 `json:"high" doc:"greatest such x; left out when the interval has no end"`
	LineLow  *float64 `json:"line_low" doc:"least x at which the true line could meet the limit, without the scatter of a new reading; left out when the interval has no end"`
	LineHigh *float64 `json:"line_high" doc:"greatest such x; left out when the interval has no end"`
	Slope    float64  `json:"slope" doc:"change of y per unit of x"`
}

// Crossing says at which x the line of least squares reaches the limit,
//
//	at = mean x + (limit - mean y) / slope,
//
// and between which x. There are two intervals, for two questions:
//
//   - low and high use the variance of one NEW READING about the line,
//     s² (1 + 1/n + (x - mean x)² / Sxx): the x at which a reading equal to
//     the limit lies within the prediction band. This is inverse prediction:
//     when will a reading be at the limit?
//   - line_low and line_high use the variance of the LINE alone,
//     s² (1/n + (x - mean x)² / Sxx), which is Fieller's interval for the
//     crossing itself. It is the narrower: when will the mean be at the limit?
//
// Both solve (limit - mean y - b d)² = t² s² (own + 1/n + d²/Sxx) for
// d = x - mean x, with Student's t of n - 2 degrees of freedom and own 1 or 0.
// When the slope does not differ from zero at this confidence
// (t² s² >= b² Sxx), what satisfies it has no end on at least one side, and
// both ends are left out: the readings do not say when. The crossing may lie
// before the first reading; that is for the asker to see.
//
// Errors: fewer than three readings, all at one x, or a level line, which
// meets no limit.
//
// Source: Draper and Smith, Applied Regression Analysis, 3rd ed. (1998),
// section 3.2; Fieller, J. R. Statist. Soc. B 16 (1954) 175-185.
func Crossing(in CrossingInput) (CrossingResult, error) {
	if err := confident(in.Confidence); err != nil {
		return CrossingResult{}, err
	}
	if !finite(in.Limit) {
		return CrossingResult{}, refuse.Bad("limit", "must be a finite number")
	}
	f, err := fit(in.X, in.Y)
	if err != nil {
		return CrossingResult{}, err
	}
	if f.slope == 0 {
		return CrossingResult{}, refuse.Bad("y", "must rise or fall with x: a level line meets no limit")
	}
	out := CrossingResult{At: f.meanX + (in.Limit-f.meanY)/f.slope, Slope: f.slope}
	if !finite(out.At) {
		return CrossingResult{}, refuse.Bad("y", "must rise or fall more: the crossing is too far away for a number")
	}
	t := -num.StudentQuantile(float64(0.5*(1-in.Confidence)), f.n-2)
	out.Low, out.High = f.reaches(in.Limit, t, 1, out.At)
	out.LineLow, out.LineHigh = f.reaches(in.Limit, t, 0, out.At)
	return out, nil
}

// reaches are the ends of the interval of x at which the limit is within t
// standard errors of the line (own = 0) or of a new reading (own = 1).
//
// In units in which the x spread by 1 (u = d / sqrt(Sxx), B = b sqrt(Sxx),
// q = t s) it is (B² - q²) u² - 2 B D u + D² - q² (own + 1/n) = 0, D being
// limit - mean y.
func (f fitted) reaches(limit, t, own, at float64) (low, high *float64) {
	spread := num.Sqrt(f.sxx)
	steep, q, away := float64(f.slope*spread), float64(t*f.sd), limit-f.meanY
	lead := float64((steep - q) * (steep + q))
	if !(lead > 0) {
		return nil, nil
	}
	inside := float64(away*away) + float64(lead*(own+1/f.n))
	middle := float64(steep*away) / lead
	half := float64(q*num.Sqrt(inside)) / lead
	a := min(f.meanX+float64(spread*(middle-half)), at)
	b := max(f.meanX+float64(spread*(middle+half)), at)
	if !finite(a) || !finite(b) {
		return nil, nil
	}
	return &a, &b
}
