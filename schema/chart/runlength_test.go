package chart

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// The figures in this package's comments were made with
//
//	go test ./schema/chart -run WhenEstimated -runs 20000 -v
//	go test ./schema/chart -run LeastWidths -runs 2000000 -v
//
// Without the flag the same is done with fewer runs, and the figures are held
// against what comes out. The seeds are fixed, so nothing depends on chance.
var runsFlag = flag.Int("runs", 0, "simulated runs for each figure; 0 takes few")

func runs(few int) int {
	if *runsFlag > 0 {
		return *runsFlag
	}
	return few
}

// A detector is started anew for each run.
type detector interface{ Step(v float64) int }

// kind is a detector's make, for readings of a mean and a standard deviation.
type kind struct {
	name string
	make func(mean, sigma float64) detector
}

func cusumOf(h float64) kind {
	return kind{fmt.Sprintf("CUSUM k 0.5 h %g", h), func(mean, sigma float64) detector {
		return &CUSUM{Target: mean, K: 0.5 * sigma, H: h * sigma}
	}}
}

func ewmaOf(lambda, width float64) kind {
	return kind{fmt.Sprintf("EWMA %g %g", lambda, width), func(mean, sigma float64) detector {
		return &EWMA{Target: mean, Sigma: sigma, Lambda: lambda, Width: width}
	}}
}

func individualsOf(width float64) kind {
	return kind{fmt.Sprintf("individuals %g", width), func(mean, sigma float64) detector {
		return &Individuals{Mean: mean, Sigma: sigma, Width: width}
	}}
}

// run counts the readings to the first signal, at most `most`.
func run(r *rand.Rand, d detector, shift float64, most int) int {
	for n := 1; n < most; n++ {
		if d.Step(shift+r.NormFloat64()) != 0 {
			return n
		}
	}
	return most
}

// estimated is a baseline from so many readings of a standard normal process.
func estimated(r *rand.Rand, readings int) (mean, sigma float64) {
	v := make([]float64, readings)
	for i := range v {
		v[i] = r.NormFloat64()
	}
	mean, _, sigma = Baseline(v)
	return mean, sigma
}

// legendre are the nodes and weights of Gauss and Legendre on [a, b], by
// Newton's steps on the polynomial.
func legendre(n int, a, b float64) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	for i := range n {
		z := math.Cos(math.Pi * (float64(i) + 0.75) / (float64(n) + 0.5))
		var slope float64
		for range 100 {
			p, before := 1.0, 0.0
			for j := range n {
				p, before = ((2*float64(j)+1)*z*p-float64(j)*before)/(float64(j)+1), p
			}
			slope = float64(n) * (z*p - before) / (z*z - 1)
			step := p / slope
			z -= step
			if math.Abs(step) < 1e-15 {
				break
			}
		}
		x[i] = (a+b)/2 + (b-a)/2*z
		w[i] = (b - a) / ((1 - z*z) * slope * slope)
	}
	return x, w
}

func solve(t *testing.T, m *mat.Dense, ones int) []float64 {
	t.Helper()
	b := mat.NewVecDense(ones, nil)
	for i := range ones {
		b.SetVec(i, 1)
	}
	var v mat.VecDense
	if err := v.SolveVec(m, b); err != nil {
		t.Fatal(err)
	}
	return v.RawVector().Data
}

// cusumARL solves L(u) = 1 + L(0) Φ(k-δ-u) + ∫0..h L(y) φ(y+k-δ-u) dy for one
// side (Page's integral equation, the limit of Brook and Evans' Markov chain),
// in standard deviations; both sides together by 1/L = 1/L(δ) + 1/L(-δ).
func cusumARL(t *testing.T, k, h, shift float64) float64 {
	t.Helper()
	const n = 60
	y, w := legendre(n, 0, h)
	side := func(shift float64) float64 {
		u := append([]float64{0}, y...)
		m := mat.NewDense(n+1, n+1, nil)
		for i := range u {
			for j := range u {
				v := 0.0
				if i == j {
					v = 1
				}
				if j == 0 {
					v -= distuv.UnitNormal.CDF(k - shift - u[i])
				} else {
					v -= w[j-1] * distuv.UnitNormal.Prob(y[j-1]+k-shift-u[i])
				}
				m.Set(i, j, v)
			}
		}
		return solve(t, m, n+1)[0]
	}
	return 1 / (1/side(shift) + 1/side(-shift))
}

// ewmaARL solves L(u) = 1 + 1/λ ∫-c..c L(y) φ((y-(1-λ)u)/λ - δ) dy (Crowder)
// and reads it off at u = 0.
func ewmaARL(t *testing.T, lambda, width, shift float64) float64 {
	t.Helper()
	const n = 61 // odd: the middle node is 0
	c := width * math.Sqrt(lambda/(2-lambda))
	y, w := legendre(n, -c, c)
	m := mat.NewDense(n, n, nil)
	for i := range n {
		for j := range n {
			v := 0.0
			if i == j {
				v = 1
			}
			m.Set(i, j, v-w[j]/lambda*distuv.UnitNormal.Prob((y[j]-(1-lambda)*y[i])/lambda-shift))
		}
	}
	return solve(t, m, n)[n/2]
}

func individualsARL(width, shift float64) float64 {
	return 1 / (distuv.UnitNormal.CDF(-width-shift) + distuv.UnitNormal.CDF(-width+shift))
}

// Readings to the first signal, on average, when target and sigma are known.
// The published figures: NIST/SEMATECH e-Handbook, section 6.3.2.3.1 (CUSUM,
// h 4 and 5); Montgomery, Introduction to Statistical Quality Control
// (individuals; EWMA after Lucas and Saccucci 1990); all from memory. The
// integral equations give them to the digits printed, and the detectors
// themselves, run on seeded readings, within four standard errors.
func TestRunLengthsWhenKnown(t *testing.T) {
	runs := runs(2000)
	for i, c := range []struct {
		kind             kind
		shift            float64
		exact, published float64
		digits           float64 // half of the last one printed
	}{
		{individualsOf(3), 0, individualsARL(3, 0), 370.4, 0.05},
		{individualsOf(3), 1, individualsARL(3, 1), 43.9, 0.05},
		{individualsOf(3), 2, individualsARL(3, 2), 6.3, 0.05},
		{cusumOf(4), 0, cusumARL(t, 0.5, 4, 0), 168, 0.5},
		{cusumOf(4), 0.5, cusumARL(t, 0.5, 4, 0.5), 26.6, 0.05},
		{cusumOf(4), 1, cusumARL(t, 0.5, 4, 1), 8.38, 0.005},
		{cusumOf(4), 2, cusumARL(t, 0.5, 4, 2), 3.34, 0.005},
		{cusumOf(5), 0, cusumARL(t, 0.5, 5, 0), 465, 0.5},
		{cusumOf(5), 0.5, cusumARL(t, 0.5, 5, 0.5), 38.0, 0.05},
		{cusumOf(5), 1, cusumARL(t, 0.5, 5, 1), 10.4, 0.05},
		{cusumOf(5), 2, cusumARL(t, 0.5, 5, 2), 4.01, 0.005},
		{ewmaOf(0.2, 2.962), 0, ewmaARL(t, 0.2, 2.962, 0), 500, 0.5},
		{ewmaOf(0.2, 2.962), 1, ewmaARL(t, 0.2, 2.962, 1), 10.5, 0.05},
		{ewmaOf(0.1, 2.814), 0, ewmaARL(t, 0.1, 2.814, 0), 500, 0.5},
		{ewmaOf(0.1, 2.814), 1, ewmaARL(t, 0.1, 2.814, 1), 10.3, 0.05},
	} {
		if !(math.Abs(c.exact-c.published) <= c.digits) {
			t.Errorf("%s, shift %g: %.4f, published %g", c.kind.name, c.shift, c.exact, c.published)
		}
		r := rand.New(rand.NewPCG(uint64(i), 370))
		lengths := make([]float64, runs)
		for j := range lengths {
			lengths[j] = float64(run(r, c.kind.make(0, 1), c.shift, math.MaxInt))
		}
		mean, sd := stat.MeanStdDev(lengths, nil)
		se := sd / math.Sqrt(float64(runs))
		t.Logf("%-16s shift %g: %8.3f exactly, %8.3f ± %.3f simulated", c.kind.name, c.shift, c.exact, mean, se)
		if !(math.Abs(mean-c.exact) <= 4*se) {
			t.Errorf("%s, shift %g: %.3f ± %.3f in %d runs, exactly %.3f", c.kind.name, c.shift, mean, se, runs, c.exact)
		}
	}
}

// cutOff ends a run that has not signalled: with sigma estimated too large it
// may go on for ever, and the mean of all would say nothing.
const cutOff = 100_000

// What comes of 20 readings: the figures of the comment in designed.go, from
// 20,000 runs. A median is right when as many of these runs are longer as
// shorter; a mean when it is within four standard errors of both.
func TestRunLengthsWhenEstimated(t *testing.T) {
	runs, seed := runs(3000), uint64(20)
	if *runsFlag == 0 {
		seed = 21 // other readings than those the figures are from
	}
	designed := []kind{individualsOf(DesignedIndividualsWidth), ewmaOf(DesignedLambda, DesignedWidth), cusumOf(DesignedH)}
	for i, c := range []struct {
		kind             kind
		shift            float64
		median, mean, se float64
	}{
		{individualsOf(3), 0, 178, 3408.60, 94.33},
		{individualsOf(3), 1, 27, 527.41, 33.26},
		{individualsOf(3), 2, 4, 27.18, 3.90},
		{designed[0], 0, 307, 6197.69, 134.68},
		{designed[0], 1, 41, 996.34, 47.09},
		{designed[0], 2, 6, 53.37, 6.44},
		{designed[0], 3, 2, 5.97, 0.93},
		{ewmaOf(0.2, 2.962), 0, 131, 1994.67, 69.50},
		{ewmaOf(0.2, 2.962), 1, 9, 19.50, 0.91},
		{ewmaOf(0.2, 2.962), 2, 3, 3.94, 0.01},
		{designed[1], 0, 307, 5871.71, 131.53},
		{designed[1], 1, 11, 64.50, 11.29},
		{designed[1], 2, 4, 4.55, 0.02},
		{designed[1], 3, 3, 2.69, 0.01},
		{cusumOf(4), 0, 61, 675.03, 34.89},
		{cusumOf(4), 1, 7, 11.17, 0.16},
		{cusumOf(5), 0, 128, 2309.21, 76.91},
		{cusumOf(5), 1, 9, 16.08, 0.82},
		{cusumOf(5), 2, 4, 4.14, 0.01},
		{designed[2], 0, 309, 6612.01, 142.86},
		{designed[2], 1, 11, 55.31, 11.63},
		{designed[2], 2, 5, 5.06, 0.02},
		{designed[2], 3, 3, 3.16, 0.01},
	} {
		r := rand.New(rand.NewPCG(uint64(i), seed))
		lengths := make([]float64, runs)
		shorter, longer, early := 0, 0, 0
		for j := range lengths {
			mean, sigma := estimated(r, DesignedReadings)
			n := float64(run(r, c.kind.make(mean, sigma), c.shift, cutOff))
			lengths[j] = n
			switch {
			case n < c.median:
				shorter++
			case n > c.median:
				longer++
			}
			if n <= 100 {
				early++
			}
		}
		mean, sd := stat.MeanStdDev(lengths, nil)
		n := float64(runs)
		se := sd / math.Sqrt(n)
		slices.Sort(lengths)
		t.Logf("%-18s shift %g: median %4g, mean %8.2f ± %.2f, within 100 readings %.3f", c.kind.name, c.shift, lengths[runs/2], mean, se, float64(early)/n)
		if more := float64(max(shorter, longer)) / n; more > 0.5+4*0.5/math.Sqrt(n) {
			t.Errorf("%s, shift %g: median %g, stated %g", c.kind.name, c.shift, lengths[runs/2], c.median)
		}
		// What a few runs scatter is not known from themselves where the tail
		// is heavy: the stated error says it.
		if se = max(se, c.se*math.Sqrt(20000/n)); math.Abs(mean-c.mean) > 4*math.Sqrt(se*se+c.se*c.se)+0.005 {
			t.Errorf("%s, shift %g: mean %.2f ± %.2f, stated %g ± %g", c.kind.name, c.shift, mean, se, c.mean, c.se)
		}
		if share := float64(early) / n; c.shift == 0 && slices.ContainsFunc(designed, func(k kind) bool { return k.name == c.kind.name }) && math.Abs(share-0.31) > 0.005+4*math.Sqrt(0.31*0.69/n) {
			t.Errorf("%s: %.3f signal within 100 readings, stated about 0.31", c.kind.name, share)
		}
	}
}

// The designed widths are the least with which half of all charts are quiet
// for 300 readings: the median of how far they go in so many.
func TestLeastWidths(t *testing.T) {
	n, seed := runs(20000), uint64(2)
	if *runsFlag == 0 {
		seed = 3
	}
	r := rand.New(rand.NewPCG(1, seed))
	var far [3][]float64
	for range n {
		mean, sigma := estimated(r, DesignedReadings)
		individuals := DesignedIndividuals(mean, sigma)
		ewma := DesignedEWMA(mean, sigma)
		cusum := DesignedCUSUM(mean, sigma)
		var most [3]float64
		for range 300 {
			v := r.NormFloat64()
			individuals.Step(v)
			ewma.Step(v)
			cusum.Step(v)
			most[0] = max(most[0], math.Abs(v-mean)/sigma)
			most[1] = max(most[1], math.Abs(ewma.Away)/ewma.reach()*DesignedWidth)
			most[2] = max(most[2], max(cusum.High, cusum.Low)/sigma)
		}
		for i, m := range most {
			far[i] = append(far[i], m)
		}
	}
	for i, c := range []struct {
		name  string
		width float64
	}{{"individuals", DesignedIndividualsWidth}, {"EWMA", DesignedWidth}, {"CUSUM", DesignedH}} {
		slices.Sort(far[i])
		reach := int(math.Sqrt(float64(n))) // two standard errors of the rank
		t.Logf("%-12s %.4f (%.4f to %.4f), designed %g", c.name, far[i][n/2], far[i][n/2-reach], far[i][n/2+reach], c.width)
		// By how many charts the designed one is off the middle.
		quiet, _ := slices.BinarySearch(far[i], c.width)
		tooTight, _ := slices.BinarySearch(far[i], c.width-0.02)
		if quiet < n/2-2*reach || tooTight > n/2+2*reach {
			t.Errorf("%s: %d of %d charts are quiet for 300 readings at the designed width, %d at 0.02 less", c.name, quiet, n, tooTight)
		}
	}
}
