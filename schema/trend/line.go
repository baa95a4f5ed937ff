package trend

import (
	"gatewright/schema/input/refuse"
	"gatewright/schema/num"
)

// LineInput are readings y at x, and where to read the line off.
type LineInput struct {
	X  []float64 `json:"x" doc:"when, or after how much use, each reading was taken" len:"3" min:"-1e100" max:"1e100"`
	Y  []float64 `json:"y" doc:"the readings" same:"x" min:"-1e100" max:"1e100"`
	At *float64  `json:"at" doc:"the x at which the line is read off" min:"-1e100" max:"1e100"`
}

// LineResult is the line of least squares with its standard errors.
type LineResult struct {
	Intercept   float64  `json:"intercept" doc:"the line at x = 0, in units of y"`
	Slope       float64  `json:"slope" doc:"change of y per unit of x"`
	SEIntercept float64  `json:"se_intercept" doc:"standard error of the intercept"`
	SESlope     float64  `json:"se_slope" doc:"standard error of the slope"`
	ResidualSD  float64  `json:"residual_sd" doc:"standard deviation of the readings about the line, with n - 2 degrees of freedom"`
	RSquared    *float64 `json:"r_squared" doc:"share of the variance of y that the line explains; left out when every y is the same"`
	Predicted   *float64 `json:"predicted" doc:"the line at the x asked for"`
	SELine      *float64 `json:"se_line" doc:"standard error of the line there"`
	SENew       *float64 `json:"se_new" doc:"standard error of one new reading there: the line's and the reading's own scatter together"`
}

// fitted is a line through the centre of the readings.
type fitted struct {
	n            float64
	meanX, meanY float64
	sxx          float64 // sum of (x - mean x)²
	slope        float64
	intercept    float64
	sse          float64 // sum of squared residuals
	syy          float64 // sum of (y - mean y)²
	sd           float64 // sqrt(sse / (n - 2))
}

// fit is ordinary least squares about the means, which keeps the digits that
// sums of raw squares lose.
func fit(x, y []float64) (fitted, error) {
	if err := points(x, y, 3); err != nil {
		return fitted{}, err
	}
	f := fitted{n: float64(len(x)), meanX: mean(x), meanY: mean(y)}
	sxy := 0.0
	for i := range x {
		dx, dy := x[i]-f.meanX, y[i]-f.meanY
		f.sxx += float64(dx * dx)
		f.syy += float64(dy * dy)
		sxy += float64(dx * dy)
	}
	switch {
	case !finite(f.meanX) || !finite(f.sxx):
		return fitted{}, refuse.Bad("x", "must not spread so far: its squares cannot be added")
	case f.sxx < 1e-290: // what is left of the digits could not be trusted
		return fitted{}, refuse.Bad("x", "must spread further: its squares vanish")
	case !finite(f.meanY) || !finite(f.syy) || !finite(sxy):
		return fitted{}, refuse.Bad("y", "must not spread so far: its squares cannot be added")
	}
	f.slope = sxy / f.sxx
	f.intercept = f.meanY - float64(f.slope*f.meanX)
	for i := range x {
		r := (y[i] - f.meanY) - float64(f.slope*(x[i]-f.meanX))
		f.sse += float64(r * r)
	}
	f.sd = num.Sqrt(f.sse / (f.n - 2))
	// The squares being finite and those of x above 1e-290, nothing here can
	// overflow: the slope stays below 1e300.
	return f, nil
}

// Line fits the line of ordinary least squares to at least three readings:
//
//	slope        b = Σ (x - mean x)(y - mean y) / Sxx,  Sxx = Σ (x - mean x)²
//	intercept    a = mean y - b mean x
//	residual_sd  s = sqrt(Σ (y - a - b x)² / (n - 2))
//	se_slope       = s / sqrt(Sxx)
//	se_intercept   = s sqrt(1/n + mean x² / Sxx)
//	predicted      = a + b at
//	se_line        = s sqrt(1/n + (at - mean x)² / Sxx)
//	se_new         = s sqrt(1 + 1/n + (at - mean x)² / Sxx)
//
// The standard errors hold for readings that scatter about the line
// independently of one another and equally everywhere. Errors: fewer than
// three readings, all at one x, or numbers so far apart that squares overflow.
//
// Source: Draper and Smith, Applied Regression Analysis, 3rd ed. (1998),
// chapters 1 and 3; the digits are tested on NIST's Statistical Reference
// Datasets.
func Line(in LineInput) (LineResult, error) {
	f, err := fit(in.X, in.Y)
	if err != nil {
		return LineResult{}, err
	}
	out := LineResult{
		Intercept: f.intercept, Slope: f.slope, ResidualSD: f.sd,
		SEIntercept: f.seAt(0, 0), SESlope: f.sd / num.Sqrt(f.sxx),
	}
	if f.syy > 0 {
		r := 1 - f.sse/f.syy
		out.RSquared = &r
	}
	if in.At == nil {
		return out, nil
	}
	at := *in.At
	predicted := f.meanY + float64(f.slope*(at-f.meanX))
	line, reading := f.seAt(at, 0), f.seAt(at, 1)
	if !finite(predicted) || !finite(line) || !finite(reading) {
		return LineResult{}, refuse.Bad("at", "must be nearer to the readings: the line there cannot be written as a number")
	}
	out.Predicted, out.SELine, out.SENew = &predicted, &line, &reading
	return out, nil
}

// seAt is the standard error at x of the line (own = 0) or of a new reading
// (own = 1).
func (f fitted) seAt(x, own float64) float64 {
	d := (x - f.meanX) / num.Sqrt(f.sxx)
	return float64(f.sd * num.Sqrt(own+1/f.n+float64(d*d)))
}
