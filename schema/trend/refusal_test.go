package trend

import (
	"errors"
	"math"
	"testing"

	"gatewright/schema/input"
)

// refused says whether the error names the field.
func refused(t *testing.T, name, field string, err error) {
	t.Helper()
	var p *input.Problem
	if !errors.As(err, &p) || p.Field != field || p.Message == "" {
		t.Errorf("%s: %v, want a problem with %s", name, err, field)
	}
}

func TestRefusals(t *testing.T) {
	nan, inf, far := math.NaN(), math.Inf(1), 1e200
	up := []float64{1, 2, 3}
	for _, c := range []struct {
		name, field string
		x, y        []float64
	}{
		{"nothing", "x", nil, nil},
		{"one", "x", []float64{1}, []float64{1}},
		{"lengths", "y", up, []float64{1, 2}},
		{"x nan", "x", []float64{1, nan, 3}, up},
		{"y inf", "y", up, []float64{1, 2, inf}},
		{"one x", "x", []float64{4, 4, 4}, up},
	} {
		_, err := Line(LineInput{X: c.x, Y: c.y})
		refused(t, "line: "+c.name, c.field, err)
		_, err = Robust(RobustInput{X: c.x, Y: c.y, Confidence: 0.9})
		refused(t, "robust: "+c.name, c.field, err)
		_, err = Crossing(CrossingInput{X: c.x, Y: c.y, Limit: 9, Confidence: 0.9})
		refused(t, "crossing: "+c.name, c.field, err)
	}
	for _, c := range []struct {
		name, field string
		x, y        []float64
	}{
		{"squares of x", "x", []float64{0, far, -far}, up},
		{"sum of x", "x", []float64{math.MaxFloat64, math.MaxFloat64, 0}, up},
		{"squares of y", "y", up, []float64{0, far, -far}},
		{"x too near", "x", []float64{0, 1e-160, 2e-160}, up},
	} {
		_, err := Line(LineInput{X: c.x, Y: c.y})
		refused(t, c.name, c.field, err)
	}
	steep, err := Line(LineInput{X: []float64{0, 4e-145, 8e-145}, Y: []float64{0, 5e153, -5e153}})
	if err != nil || !finite(steep.Slope) || !finite(steep.Intercept) || !finite(steep.SESlope) || !finite(steep.SEIntercept) {
		t.Errorf("as steep as can be: %+v, %v", steep, err)
	}
	_, err = Line(LineInput{X: []float64{1, 2}, Y: []float64{1, 2}})
	refused(t, "two readings", "x", err)
	_, err = Line(LineInput{X: up, Y: []float64{1, 3, 2}, At: &inf})
	refused(t, "at infinity", "at", err)

	for _, confidence := range []float64{0, 1, -1, 2, nan} {
		_, err := Robust(RobustInput{X: up, Y: up, Confidence: confidence})
		refused(t, "robust", "confidence", err)
		_, err = Crossing(CrossingInput{X: up, Y: up, Confidence: confidence})
		refused(t, "crossing", "confidence", err)
	}
	_, err = Robust(RobustInput{X: make([]float64, 2001), Y: make([]float64, 2001), Confidence: 0.9})
	refused(t, "too many", "x", err)
	_, err = Robust(RobustInput{X: []float64{0, 1e-300}, Y: []float64{0, 1e300}, Confidence: 0.9})
	refused(t, "slope", "y", err)
	_, err = Robust(RobustInput{X: []float64{1e300, 1.0000000001e300}, Y: []float64{1, 1e305}, Confidence: 0.9})
	refused(t, "intercept", "x", err)

	_, err = Crossing(CrossingInput{X: up, Y: up, Limit: nan, Confidence: 0.9})
	refused(t, "limit", "limit", err)
	_, err = Crossing(CrossingInput{X: up, Y: []float64{5, 5, 5}, Limit: 9, Confidence: 0.9})
	refused(t, "level", "y", err)
	_, err = Crossing(CrossingInput{X: up, Y: []float64{1, 1 + 2e-16, 1 + 4e-16}, Limit: 1e300, Confidence: 0.9})
	refused(t, "hardly rising", "y", err)
}

// What an interval cannot say is left out.
func TestEndsLeftOut(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4}
	for _, c := range []struct {
		y    []float64
		open bool
	}{
		{[]float64{1, 2.1, 2.9, 4, 5.1}, false},
		{[]float64{1, 5, 2, 4, 3}, true}, // a slope that does not differ from zero
	} {
		got, err := Crossing(CrossingInput{X: x, Y: c.y, Limit: 10, Confidence: 0.95})
		if err != nil {
			t.Fatal(err)
		}
		for _, end := range []*float64{got.Low, got.High, got.LineLow, got.LineHigh} {
			if (end == nil) != c.open {
				t.Errorf("%v: an end %v, open %v", c.y, end, c.open)
			}
		}
	}
	// A slope hardly beyond zero: the far end cannot be written as a number.
	f := fitted{n: 4, sxx: 1, slope: 1, sd: 1}
	if low, high := f.reaches(1e308, 1-1e-15, 1, 1e308); low != nil || high != nil {
		t.Errorf("%v to %v", *low, *high)
	}

	// At 95 % the ranks of the ends of four readings would be 0.1 and 6.9 of six
	// slopes; a lower confidence has ends.
	in := RobustInput{X: x[:4], Y: []float64{1, 2, 4, 3}, Confidence: 0.95}
	got, err := Robust(in)
	if err != nil || got.SlopeLow != nil || got.SlopeHigh != nil {
		t.Errorf("%+v, %v", got, err)
	}
	in.Confidence = 0.5
	// By hand: slopes -1, 1/2, 2/3, 1, 3/2, 2; S = 4, var_s = 26/3, C = 0.67449 x
	// 2.94392 = 1.98566; ranks 2.00717 and 4.99283.
	got, err = Robust(in)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", got.Slope, (2.0/3+1)/2, 1e-15)
	near(t, "var_s", got.VarS, 26.0/3, 1e-15)
	near(t, "slope_low", *got.SlopeLow, 0.5+0.00717/6, 1e-5)
	near(t, "slope_high", *got.SlopeHigh, 1.5-0.00717/2, 1e-5)
	if got.S != 4 || got.PExact == nil {
		t.Errorf("%+v", got)
	}
}
