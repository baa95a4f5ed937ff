package radio

import (
	"errors"
	"math"
	"testing"

	"gatewright/schema/input"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

func ptr(x float64) *float64 { return &x }

// Recommendation ITU-R P.525: the formula as printed, 32.4 + 20 log f + 20 log
// d; the numbers computed from it by hand (derived), to 0.01 dB of that
// constant and 0.05 dB of the exact one, 20 log10(4 pi 10^9/c).
func TestFreeSpace(t *testing.T) {
	exact := 20 * math.Log10(4*math.Pi*1e9/299792458)
	for _, c := range []struct{ mhz, km, want float64 }{{2400, 0.1, 80.0}, {2400, 0.05, 73.98}, {868, 0.1, 71.17}, {5500, 0.1, 87.21}, {100, 1, 72.4}} {
		r, err := FreeSpace(FreeSpaceInput{c.mhz, c.km})
		if err != nil || math.Abs(r.LossDB-c.want) > 0.01 || math.Abs(r.LossDB-(exact+20*math.Log10(c.mhz*c.km))) > 0.05 {
			t.Errorf("%v MHz, %v km: %+v, %v, want %v", c.mhz, c.km, r, err, c.want)
		}
	}
	for _, c := range []struct {
		mhz, km float64
		field   string
	}{{0.134, 0.001, "km"}, {2400, 0.000124, "km"}, {2400, 0, "km"}, {0, 1, "mhz"}, {math.NaN(), 1, "mhz"}, {1, math.Inf(1), "km"}} {
		_, err := FreeSpace(FreeSpaceInput{c.mhz, c.km})
		refused(t, err, c.field)
	}
	if _, err := FreeSpace(FreeSpaceInput{2400, 0.000125}); err != nil {
		t.Errorf("one wavelength: %v", err)
	}
}

func refused(t *testing.T, err error, field string) {
	t.Helper()
	var p *input.Problem
	if !errors.As(err, &p) || p.Field != field {
		t.Errorf("%v, want a problem of %s", err, field)
	}
}

// Rappaport, Wireless Communications (2nd ed.), example 4.9, from memory: 0,
// -20, -35 and -70 dBm at 100, 200, 1000 and 3000 m, the first as reference:
// exponent 4.4 (exactly 4.413), sum of squares 152.36 with it as rounded (least
// 151.64), divided by four 38.09, so 6.17 dB (exactly 6.157).
func TestFitOfRappaport(t *testing.T) {
	in := FitInput{DistanceM: []float64{100, 200, 1000, 3000}, LevelDBm: []float64{0, -20, -35, -70}, ReferenceM: 100, ReferenceDBm: ptr(0)}
	r, err := Fit(in)
	if err != nil || math.Abs(r.Exponent-4.4) > 0.02 || r.ReferenceDBm != 0 || math.Abs(r.RMSDB-6.17) > 0.02 || math.Abs(r.RMSDB-6.157) > 0.0005 || math.Abs(*r.SDDB-r.RMSDB*math.Sqrt(4./3)) > 1e-12 {
		t.Errorf("%+v, %v", r, err)
	}
}

// gonum's linear regression is the oracle, with and without a fixed intercept.
func TestFitAgainstRegression(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 30).Draw(t, "n")
		in := FitInput{ReferenceM: rapid.Float64Range(0.5, 20).Draw(t, "d0")}
		var x []float64
		for i := range n {
			d := rapid.Float64Range(1, 2000).Draw(t, "d") + float64(i)*3
			in.DistanceM = append(in.DistanceM, d)
			in.LevelDBm = append(in.LevelDBm, rapid.Float64Range(-120, -20).Draw(t, "level"))
			x = append(x, -10*math.Log10(d/in.ReferenceM))
		}
		fixed := rapid.Bool().Draw(t, "fixed")
		y, left := in.LevelDBm, n-2
		if fixed {
			in.ReferenceDBm = ptr(rapid.Float64Range(-60, 0).Draw(t, "p0"))
			y = nil
			for _, level := range in.LevelDBm {
				y = append(y, level-*in.ReferenceDBm)
			}
			left = n - 1
		}
		alpha, beta := stat.LinearRegression(x, y, nil, fixed)
		if fixed {
			alpha = *in.ReferenceDBm
		}
		ss := 0.0
		for i := range x {
			e := in.LevelDBm[i] - alpha - beta*x[i]
			ss += e * e
		}
		r, err := Fit(in)
		if err != nil {
			t.Fatal(err)
		}
		close := func(got, want float64) bool { return math.Abs(got-want) <= 1e-8*(1+math.Abs(want)) }
		if !close(r.Exponent, beta) || !close(r.ReferenceDBm, alpha) || !close(r.RMSDB, math.Sqrt(ss/float64(n))) || !close(*r.SDDB, math.Sqrt(ss/float64(left))) {
			t.Fatalf("%+v (sd %v), want %v, %v, %v", r, *r.SDDB, beta, alpha, math.Sqrt(ss/float64(n)))
		}
	})
}

func TestFitEdges(t *testing.T) {
	r, err := Fit(FitInput{DistanceM: []float64{10, 100}, LevelDBm: []float64{-50, -80}, ReferenceM: 1})
	if err != nil || math.Abs(r.Exponent-3) > 1e-12 || math.Abs(r.ReferenceDBm+20) > 1e-12 || r.RMSDB > 1e-12 || r.SDDB != nil {
		t.Errorf("two points: %+v, %v", r, err)
	}
	r, err = Fit(FitInput{DistanceM: []float64{10}, LevelDBm: []float64{-60}, ReferenceM: 1, ReferenceDBm: ptr(-40)})
	if err != nil || math.Abs(r.Exponent-2) > 1e-12 || r.SDDB != nil {
		t.Errorf("one point and a reference: %+v, %v", r, err)
	}
	nan := math.NaN()
	for _, c := range []struct {
		in    FitInput
		field string
	}{
		{FitInput{ReferenceM: 1}, "distance_m"},
		{FitInput{DistanceM: []float64{1, 2}, LevelDBm: []float64{1}, ReferenceM: 1}, "level_dbm"},
		{FitInput{DistanceM: []float64{1, 2}, LevelDBm: []float64{1, 2}}, "reference_m"},
		{FitInput{DistanceM: []float64{1, 2}, LevelDBm: []float64{1, 2}, ReferenceM: 1, ReferenceDBm: &nan}, "reference_dbm"},
		{FitInput{DistanceM: []float64{1, 0}, LevelDBm: []float64{1, 2}, ReferenceM: 1}, "distance_m"},
		{FitInput{DistanceM: []float64{1, 2}, LevelDBm: []float64{1, nan}, ReferenceM: 1}, "level_dbm"},
		{FitInput{DistanceM: []float64{7, 7, 7}, LevelDBm: []float64{1, 2, 3}, ReferenceM: 1}, "distance_m"},
		{FitInput{DistanceM: []float64{1, 1}, LevelDBm: []float64{1, 2}, ReferenceM: 1, ReferenceDBm: ptr(0)}, "distance_m"},
		{FitInput{DistanceM: []float64{1, 2}, LevelDBm: []float64{1e308, -1e308}, ReferenceM: 1}, "level_dbm"},
	} {
		_, err := Fit(c.in)
		refused(t, err, c.field)
	}
}
