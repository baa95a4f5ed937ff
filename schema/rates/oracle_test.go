package rates

import (
	"errors"
	"math"
	"math/big"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"gatewright/schema/input"
)

func interval(t testing.TB, hits, trials int64, confidence float64, method string) IntervalResult {
	t.Helper()
	got, err := Interval(IntervalInput{Hits: hits, Trials: trials, Confidence: confidence, Method: method})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// The exact interval leaves out, by gonum's binomial distribution, half of
// what is not sure on either side.
func TestExactAgainstBinomial(t *testing.T) {
	for _, trials := range []int64{1, 2, 5, 20, 117, 600} {
		for _, confidence := range []float64{0.5, 0.9, 0.999} {
			tail := (1 - confidence) / 2
			for hits := int64(0); hits <= trials; hits += 1 + trials/9 {
				got := interval(t, hits, trials, confidence, "exact")
				k, n := float64(hits), float64(trials)
				if hits == 0 && got.Low != 0 || hits == trials && got.High != 1 {
					t.Errorf("%d of %d: %g to %g", hits, trials, got.Low, got.High)
				}
				if hits > 0 {
					within(t, "as many or more at the low end", 1-distuv.Binomial{N: n, P: got.Low}.CDF(k-1), tail, 1e-9)
				}
				if hits < trials {
					within(t, "as many or fewer at the high end", distuv.Binomial{N: n, P: got.High}.CDF(k), tail, 1e-9)
				}
			}
		}
	}
}

// How often the interval holds the true rate, summed over every count by the
// binomial distribution: the exact one never less often than it says, the
// score interval on average over rates as often.
func TestCoverage(t *testing.T) {
	const trials = 40
	for _, confidence := range []float64{0.8, 0.95} {
		for _, method := range []string{"exact", "wilson"} {
			var low, high [trials + 1]float64
			for k := range low {
				got := interval(t, int64(k), trials, confidence, method)
				low[k], high[k] = got.Low, got.High
			}
			least, sum, n := 1.0, 0.0, 0
			for p := 0.0025; p < 1; p += 0.005 {
				covered := 0.0
				for k := range low {
					if low[k] <= p && p <= high[k] {
						covered += distuv.Binomial{N: trials, P: p}.Prob(float64(k))
					}
				}
				least, sum, n = min(least, covered), sum+covered, n+1
			}
			mean := sum / float64(n)
			t.Logf("%-6s %g: at least %.4f, on average %.4f", method, confidence, least, mean)
			if method == "exact" && least < confidence-1e-9 {
				t.Errorf("the exact interval holds the rate in only %g of %g", least, confidence)
			}
			if method == "wilson" && math.Abs(mean-confidence) > 0.01 {
				t.Errorf("the score interval holds the rate in %g on average, of %g", mean, confidence)
			}
		}
	}
}

// bruteFisher sums whole numbers over every table.
func bruteFisher(hitsA, trialsA, hitsB, trialsB int64) float64 {
	ways := func(k int64) *big.Int {
		a := new(big.Int).Binomial(trialsA, k)
		return a.Mul(a, new(big.Int).Binomial(trialsB, hitsA+hitsB-k))
	}
	seen, sum, all := ways(hitsA), new(big.Int), new(big.Int)
	for k := max(0, hitsA+hitsB-trialsB); k <= min(trialsA, hitsA+hitsB); k++ {
		w := ways(k)
		all.Add(all, w)
		if w.Cmp(seen) <= 0 {
			sum.Add(sum, w)
		}
	}
	p, _ := new(big.Rat).SetFrac(sum, all).Float64()
	return p
}

// Fisher's p is that of whole numbers of any size; a difference turns its sign
// when the sides change places, and hits and misses do.
func TestDifferenceProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := DifferenceInput{Confidence: rapid.Float64Range(0.5, 0.999).Draw(t, "confidence")}
		in.TrialsA, in.TrialsB = rapid.Int64Range(1, 300).Draw(t, "trials_a"), rapid.Int64Range(1, 300).Draw(t, "trials_b")
		in.HitsA, in.HitsB = rapid.Int64Range(0, in.TrialsA).Draw(t, "hits_a"), rapid.Int64Range(0, in.TrialsB).Draw(t, "hits_b")
		got, err := Difference(in)
		if err != nil {
			t.Fatal(err)
		}
		if want := bruteFisher(in.HitsA, in.TrialsA, in.HitsB, in.TrialsB); math.Abs(got.PValue-want) > 1e-12*want {
			t.Fatalf("p %g, exactly %g", got.PValue, want)
		}
		if !(-1 <= got.Low && got.Low <= got.Difference && got.Difference <= got.High && got.High <= 1) {
			t.Fatalf("%+v", got)
		}
		turned, err := Difference(DifferenceInput{HitsA: in.HitsB, TrialsA: in.TrialsB, HitsB: in.HitsA, TrialsB: in.TrialsA, Confidence: in.Confidence})
		if err != nil || math.Abs(turned.Low+got.High) > 1e-15 || math.Abs(turned.High+got.Low) > 1e-15 || math.Abs(turned.PValue-got.PValue) > 1e-12*got.PValue {
			t.Fatalf("%+v, sides changed %+v, %v", got, turned, err)
		}
		missed, err := Difference(DifferenceInput{HitsA: in.TrialsA - in.HitsA, TrialsA: in.TrialsA, HitsB: in.TrialsB - in.HitsB, TrialsB: in.TrialsB, Confidence: in.Confidence})
		if err != nil || math.Abs(missed.Low+got.High) > 1e-14 || math.Abs(missed.PValue-got.PValue) > 1e-12*got.PValue {
			t.Fatalf("%+v, misses %+v, %v", got, missed, err)
		}
	})
}

// With a thousand million trials the exact interval is Wilson's but for what
// the steps of a count do (half of one, and the skewness), and Fisher's p is
// that of the normal distribution with half a count taken off.
func TestLargeCounts(t *testing.T) {
	const n = 1_000_000_000
	for _, hits := range []int64{0, 1, 5000, 400_000_000, 999_999_999, n} {
		e, w := interval(t, hits, n, 0.95, "exact"), interval(t, hits, n, 0.95, "wilson")
		within(t, "low", e.Low, w.Low, 1.5/n)
		within(t, "high", e.High, w.High, 1.5/n)
		if !(e.Low <= e.Rate && e.Rate <= e.High && (e.Low < e.Rate || hits == 0) && (e.Rate < e.High || hits == n)) {
			t.Errorf("%+v", e)
		}
	}
	// No hits: 1 - 0.025^(1/n).
	within(t, "none of n", interval(t, 0, n, 0.95, "exact").High*n, -math.Log(0.025), 1e-7)
	for _, d := range []int64{1, 100, 20_000, 60_000, 200_000, 1_000_000, 500_000_000} {
		got, err := Difference(DifferenceInput{HitsA: 500_000_000, TrialsA: n, HitsB: 500_000_000 - d, TrialsB: n, Confidence: 0.95})
		if err != nil {
			t.Fatal(err)
		}
		all := float64(2*500_000_000 - d)
		// The variance of the hypergeometric count of A is n n all (2n - all) / ((2n)² (2n-1)).
		sd := math.Sqrt(all * (2*n - all) / (4 * (2*n - 1)))
		want := 2 * distuv.UnitNormal.CDF(-(float64(d)/2-0.5)/sd)
		if !(math.Abs(got.PValue-want) <= 1e-6*want+1e-300) {
			t.Errorf("%d fewer: p %.10g, by the normal distribution %.10g", d, got.PValue, want)
		}
	}
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	refused := func(field string, err error) {
		t.Helper()
		var p *input.Problem
		if !errors.As(err, &p) || p.Field != field {
			t.Errorf("%v, want a problem with %s", err, field)
		}
	}
	for _, c := range []struct {
		field string
		in    IntervalInput
	}{
		{"confidence", IntervalInput{Hits: 1, Trials: 2, Method: "wilson"}},
		{"confidence", IntervalInput{Hits: 1, Trials: 2, Method: "wilson", Confidence: nan}},
		{"trials", IntervalInput{Confidence: 0.9, Method: "wilson"}},
		{"trials", IntervalInput{Trials: mostTrials + 1, Confidence: 0.9, Method: "wilson"}},
		{"hits", IntervalInput{Hits: -1, Trials: 2, Confidence: 0.9, Method: "wilson"}},
		{"hits", IntervalInput{Hits: 3, Trials: 2, Confidence: 0.9, Method: "wilson"}},
		{"method", IntervalInput{Hits: 1, Trials: 2, Confidence: 0.9}},
	} {
		_, err := Interval(c.in)
		refused(c.field, err)
	}
	for _, c := range []struct {
		field string
		in    DifferenceInput
	}{
		{"confidence", DifferenceInput{TrialsA: 1, TrialsB: 1, Confidence: 1}},
		{"hits_a", DifferenceInput{HitsA: 2, TrialsA: 1, TrialsB: 1, Confidence: 0.9}},
		{"hits_b", DifferenceInput{HitsB: 2, TrialsA: 1, TrialsB: 1, Confidence: 0.9}},
		{"trials_b", DifferenceInput{TrialsA: 1, Confidence: 0.9}},
	} {
		_, err := Difference(c.in)
		refused(c.field, err)
	}
}
