package trend

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// scattered are readings on a line with normal scatter.
func scattered(r *rand.Rand, n int, intercept, slope, sd float64) (x, y []float64) {
	x, y = make([]float64, n), make([]float64, n)
	for i := range n {
		x[i] = float64(i) + r.Float64()/2
		y[i] = intercept + slope*x[i] + sd*r.NormFloat64()
	}
	return x, y
}

// gonum's regression is the oracle.
func TestLineAgainstGonum(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for range 200 {
		x, y := scattered(r, 3+r.IntN(60), 10*r.NormFloat64(), r.NormFloat64(), 1+r.Float64())
		got, err := Line(LineInput{X: x, Y: y})
		if err != nil {
			t.Fatal(err)
		}
		a, b := stat.LinearRegression(x, y, nil, false)
		if math.Abs(got.Intercept-a) > 1e-9 || math.Abs(got.Slope-b) > 1e-10 {
			t.Fatalf("%v + %v x, gonum %v + %v x", got.Intercept, got.Slope, a, b)
		}
		if r2 := stat.RSquared(x, y, nil, a, b); math.Abs(*got.RSquared-r2) > 1e-9 {
			t.Fatalf("r² %v, gonum %v", *got.RSquared, r2)
		}
	}
	level, err := Line(LineInput{X: []float64{1, 2, 3}, Y: []float64{5, 5, 5}})
	if err != nil || level.Slope != 0 || level.Intercept != 5 || level.ResidualSD != 0 || level.RSquared != nil {
		t.Errorf("%+v, %v", level, err)
	}
}

// naive is Theil, Sen, Mann and Kendall straight from the definitions.
func naive(x, y []float64) (slope float64, s int) {
	var slopes []float64
	for i := range x {
		for j := range x {
			if x[i] < x[j] {
				slopes = append(slopes, (y[j]-y[i])/(x[j]-x[i]))
				s += sign(y[j] - y[i])
			}
		}
	}
	slices.Sort(slopes)
	n := len(slopes)
	return (slopes[(n-1)/2] + slopes[n/2]) / 2, s
}

// Slope and s are those of the definitions, p that of gonum's normal
// distribution; the order of the readings does not matter to the bit; the
// line follows when the readings are moved, stretched or turned.
func TestRobustProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40).Draw(t, "n")
		x := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) float64 { return float64(rapid.IntRange(-20, 20).Draw(t, "x")) }), n, n).Draw(t, "xs")
		y := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) float64 { return float64(rapid.IntRange(-99, 99).Draw(t, "y")) / 8 }), n, n).Draw(t, "ys")
		in := RobustInput{X: x, Y: y, Confidence: rapid.Float64Range(0.2, 0.99).Draw(t, "confidence")}
		got, err := Robust(in)
		if err != nil {
			if slices.Max(x) != slices.Min(x) {
				t.Fatal(err)
			}
			return
		}
		slope, s := naive(x, y)
		if got.Slope != slope || got.S != int64(s) {
			t.Fatalf("slope %v and s %d, by definition %v and %d", got.Slope, got.S, slope, s)
		}
		if want := 2 * distuv.UnitNormal.CDF(-math.Abs(got.Z)); math.Abs(got.PValue-want) > 1e-13 {
			t.Fatalf("p %v, gonum %v", got.PValue, want)
		}
		if got.SlopeLow != nil && !(*got.SlopeLow <= got.Slope && got.Slope <= *got.SlopeHigh) {
			t.Fatalf("slope %v outside %v to %v", got.Slope, *got.SlopeLow, *got.SlopeHigh)
		}
		turn := rapid.Permutation(indices(n)).Draw(t, "order")
		other := RobustInput{Confidence: in.Confidence}
		down := RobustInput{Confidence: in.Confidence}
		for _, i := range turn {
			other.X, other.Y = append(other.X, x[i]), append(other.Y, y[i])
			down.X, down.Y = append(down.X, x[i]), append(down.Y, 3-4*y[i])
		}
		again, err := Robust(other)
		if err != nil || !same(got, again) {
			t.Fatalf("%+v, in another order %+v, %v", got, again, err)
		}
		turned, err := Robust(down)
		if err != nil || turned.Slope != -4*got.Slope || turned.S != -got.S || turned.VarS != got.VarS || turned.PValue != got.PValue {
			t.Fatalf("%+v, turned %+v, %v", got, turned, err)
		}
	})
}

func indices(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func same(a, b RobustResult) bool {
	pointed := func(p, q *float64) bool {
		return (p == nil) == (q == nil) && (p == nil || math.Float64bits(*p) == math.Float64bits(*q))
	}
	return math.Float64bits(a.Slope) == math.Float64bits(b.Slope) && math.Float64bits(a.Intercept) == math.Float64bits(b.Intercept) &&
		a.S == b.S && a.VarS == b.VarS && a.Z == b.Z && a.PValue == b.PValue && a.Pairs == b.Pairs &&
		pointed(a.SlopeLow, b.SlopeLow) && pointed(a.SlopeHigh, b.SlopeHigh) && pointed(a.PExact, b.PExact)
}

// The variance with ties in x, in y and in both, and the exact probability:
// over every order of six readings.
func TestAllOrders(t *testing.T) {
	for _, c := range []struct{ x, y []float64 }{
		{[]float64{1, 2, 3, 4, 5, 6}, []float64{1, 2, 3, 4, 5, 6}},
		{[]float64{1, 2, 3, 4, 5, 6}, []float64{1, 1, 3, 3, 3, 6}},
		{[]float64{1, 1, 2, 2, 2, 3}, []float64{1, 2, 3, 4, 5, 6}},
		{[]float64{1, 1, 2, 2, 2, 3}, []float64{1, 1, 3, 3, 3, 6}},
	} {
		var all []RobustResult
		for _, order := range combin.Permutations(6, 6) {
			y := make([]float64, 6)
			for i, j := range order {
				y[i] = c.y[j]
			}
			got, err := Robust(RobustInput{X: c.x, Y: y, Confidence: 0.9})
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, got)
		}
		squares := 0.0
		for _, r := range all {
			squares += float64(r.S * r.S)
		}
		near(t, "variance over all orders", all[0].VarS, squares/720, 1e-14)
		for _, r := range all {
			if r.PExact == nil {
				continue
			}
			as := 0
			for _, o := range all {
				if max(o.S, -o.S) >= max(r.S, -r.S) {
					as++
				}
			}
			near(t, "p_exact", *r.PExact, float64(as)/720, 1e-15)
		}
	}
	// Kendall's table for ten readings (Gilbert, table A18, from memory: S = 21
	// has 0.036 to one side).
	near(t, "ten readings", exactP(10, 21), 2*0.036, 0.02)
}

// Over 3000 seeded samples each interval holds the truth as often as it says,
// within four standard errors; Gilbert's, which is of ranks, within two points
// more.
func TestCoverage(t *testing.T) {
	const samples = 3000
	r := rand.New(rand.NewPCG(7, 7))
	for _, confidence := range []float64{0.8, 0.95} {
		var line, reading, slope, fieller, crossing, robust float64
		for range samples {
			x, y := scattered(r, 12, 5, 0.8, 1)
			at := 15.0
			got, err := Line(LineInput{X: x, Y: y, At: &at})
			if err != nil {
				t.Fatal(err)
			}
			quantile := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: 10}.Quantile(0.5 + confidence/2)
			if math.Abs(got.Slope-0.8) <= quantile*got.SESlope {
				slope++
			}
			if math.Abs(*got.Predicted-17) <= quantile**got.SELine {
				line++
			}
			if math.Abs(*got.Predicted-(17+r.NormFloat64())) <= quantile**got.SENew {
				reading++
			}
			// The true line is at 17 when x is 15; a reading that was taken
			// there scatters about 17 and is the limit of the second.
			c, err := Crossing(CrossingInput{X: x, Y: y, Limit: 17, Confidence: confidence})
			if err != nil {
				t.Fatal(err)
			}
			if c.LineLow == nil || *c.LineLow <= 15 && 15 <= *c.LineHigh {
				fieller++
			}
			c, err = Crossing(CrossingInput{X: x, Y: y, Limit: 17 + r.NormFloat64(), Confidence: confidence})
			if err != nil {
				t.Fatal(err)
			}
			if c.Low == nil || *c.Low <= 15 && 15 <= *c.High {
				crossing++
			}
			k, err := Robust(RobustInput{X: x, Y: y, Confidence: confidence})
			if err != nil {
				t.Fatal(err)
			}
			if *k.SlopeLow <= 0.8 && 0.8 <= *k.SlopeHigh {
				robust++
			}
		}
		four := 4 * math.Sqrt(confidence*(1-confidence)/samples)
		for _, c := range []struct {
			name        string
			share, most float64
		}{
			{"slope", slope, four}, {"line", line, four}, {"new reading", reading, four},
			{"line at the limit", fieller, four}, {"reading at the limit", crossing, four}, {"robust slope", robust, four + 0.02},
		} {
			share := c.share / samples
			t.Logf("%-20s %.4f of %g", c.name, share, confidence)
			if math.Abs(share-confidence) > c.most {
				t.Errorf("%s: %.4f of the intervals hold the truth, stated %g", c.name, share, confidence)
			}
		}
	}
}

// A robust line of up to 30 readings allocates its two ends and nothing else.
func TestRobustAllocates(t *testing.T) {
	x, y := scattered(rand.New(rand.NewPCG(3, 3)), 30, 1, 1, 1)
	in := RobustInput{X: x, Y: y, Confidence: 0.95}
	if n := testing.AllocsPerRun(100, func() { _, _ = Robust(in) }); n > 2 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkRobust30(b *testing.B) {
	x, y := scattered(rand.New(rand.NewPCG(3, 3)), 30, 1, 1, 1)
	b.ReportAllocs()
	for b.Loop() {
		_, _ = Robust(RobustInput{X: x, Y: y, Confidence: 0.95})
	}
}
