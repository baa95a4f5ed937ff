package trend

import (
	"math"
	"testing"
)

func near(t *testing.T, name string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g (relative error %.2g, allowed %.2g)", name, got, want, math.Abs(got-want)/math.Abs(want), relative)
	}
}

// digits is how many leading digits agree with a certified value (NIST's LRE).
func digits(got, want float64) float64 {
	if got == want {
		return 16
	}
	if want == 0 {
		return -math.Log10(math.Abs(got))
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

// NIST/SEMATECH e-Handbook, Statistical Reference Datasets: Norris (lower
// difficulty).
func norris() (x, y []float64) {
	return []float64{0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5},
		[]float64{0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2}
}

// Certified values of NIST StRD, Norris; 12.8 digits or more are reached of
// the 15 given.
func TestLineOnNorris(t *testing.T) {
	x, y := norris()
	got, err := Line(LineInput{X: x, Y: y})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name        string
		got, want   float64
		leastDigits float64
	}{
		{"intercept", got.Intercept, -0.262323073774029, 12},
		{"slope", got.Slope, 1.00211681802045, 14},
		{"se_intercept", got.SEIntercept, 0.232818234301152, 12},
		{"se_slope", got.SESlope, 0.429796848199937e-3, 12},
		{"residual_sd", got.ResidualSD, 0.884796396144373, 12},
		{"r_squared", *got.RSquared, 0.999993745883712, 14},
	} {
		d := digits(c.got, c.want)
		t.Logf("%-12s %.1f digits", c.name, d)
		if !(d >= c.leastDigits) {
			t.Errorf("%s = %.16g, want %.16g: %.1f digits", c.name, c.got, c.want, d)
		}
	}
	if got.Predicted != nil || got.SELine != nil || got.SENew != nil {
		t.Error("a line that was not asked for at an x is read off there")
	}
	at := 500.0
	got, err = Line(LineInput{X: x, Y: y, At: &at})
	if err != nil {
		t.Fatal(err)
	}
	// The covariance of intercept and slope, -7.74327536339570e-05, is that of
	// GSL's test suite for the same data (from Octave).
	variance := got.SEIntercept*got.SEIntercept + 2*at*-7.74327536339570e-05 + at*at*got.SESlope*got.SESlope
	near(t, "se_line", *got.SELine, math.Sqrt(variance), 1e-9)
	near(t, "se_new", *got.SENew, math.Sqrt(variance+got.ResidualSD*got.ResidualSD), 1e-10)
	near(t, "predicted", *got.Predicted, got.Intercept+500*got.Slope, 1e-14)
}

// EPA 530/R-09-007 (Unified Guidance, 2009), example 17-6 (sulfate), with the
// values of EnvStats' kendallTrendTest; s, its variance and the ties computed
// from the definitions.
func sulfate() RobustInput {
	return RobustInput{
		X:          []float64{89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6, 94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8},
		Y:          []float64{480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600, 700, 570, 610, 650, 620, 830, 720, 590},
		Confidence: 0.95,
	}
}

func TestRobustOnSulfate(t *testing.T) {
	got, err := Robust(sulfate())
	if err != nil {
		t.Fatal(err)
	}
	if got.S != 194 || got.VarS != 1428 || got.Pairs != 253 || got.PExact != nil {
		t.Errorf("s %d, var_s %g, pairs %d, exact %v", got.S, got.VarS, got.Pairs, got.PExact)
	}
	near(t, "z", got.Z, 5.107322, 1e-6)
	near(t, "p_value", got.PValue, 3.267574e-07, 1e-6)
	near(t, "slope", got.Slope, 26.6666667, 1e-6)
	near(t, "intercept", got.Intercept, -1909.3333333, 1e-6)
	near(t, "slope_low", *got.SlopeLow, 20, 1e-6)
	near(t, "slope_high", *got.SlopeHigh, 35.71182, 1e-6)
}

// EnvStats, inversePredictCalibrate (cadmium; after Gibbons et al. 1997,
// Millard and Neerchal 2001, pp. 566-569): one new observation of 60, 99 %.
func TestCrossingOnCadmium(t *testing.T) {
	var x []float64
	for _, c := range []float64{0, 10, 20, 50, 100} {
		x = append(x, c, c, c, c, c, c, c)
	}
	y := []float64{0.88, 1.57, 0.7, 0.8, 0.54, 1.83, 1.34, 10.17, 11.13, 11.66, 10.8, 11.11, 11.95, 11.14, 19.97, 20.28, 23.2, 22.12, 18.01, 24.83, 21.1, 54.78, 49, 51.92, 49, 54.75, 50.25, 50.03, 97.06, 94.6, 102.54, 101.09, 99.2, 93.71, 100.43}
	got, err := Crossing(CrossingInput{X: x, Y: y, Limit: 60, Confidence: 0.99})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "at", got.At, 59.97301, 1e-6)
	near(t, "low", *got.Low, 53.8301, 1e-6)
	near(t, "high", *got.High, 66.15422, 1e-6)
	near(t, "slope", got.Slope, 0.9731301, 1e-6)
	line, err := Line(LineInput{X: x, Y: y})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intercept", line.Intercept, 1.6384575, 1e-6)
	near(t, "residual_sd", line.ResidualSD, 2.149207, 1e-6)
	if !(*got.Low < *got.LineLow && *got.LineLow < got.At && got.At < *got.LineHigh && *got.LineHigh < *got.High) {
		t.Errorf("the line's interval %g to %g is not inside that of a reading", *got.LineLow, *got.LineHigh)
	}
}
