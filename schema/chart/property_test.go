package chart

import (
	"errors"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"gatewright/schema/input"
)

func TestRefusals(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	refused := func(name, field string, err error) {
		t.Helper()
		var p *input.Problem
		if !errors.As(err, &p) || p.Field != field {
			t.Errorf("%s: %v, want a problem with %s", name, err, field)
		}
	}
	for _, v := range [][]float64{nil, {3}, {1, nan}, {1, inf, 2}, {math.MaxFloat64, math.MaxFloat64}, {math.MaxFloat64, -math.MaxFloat64}} {
		_, err := IndividualsChart(IndividualsInput{Values: v})
		refused("individuals", "values", err)
	}
	good := []float64{1, 2}
	for _, c := range []struct {
		field string
		in    EWMAInput
	}{
		{"values", EWMAInput{Sigma: 1, Lambda: 0.2, Width: 3}},
		{"values", EWMAInput{Values: []float64{nan}, Sigma: 1, Lambda: 0.2, Width: 3}},
		{"values", EWMAInput{Values: []float64{math.MaxFloat64}, Target: -math.MaxFloat64, Sigma: 1, Lambda: 0.2, Width: 3}},
		{"target", EWMAInput{Values: good, Target: nan, Sigma: 1, Lambda: 0.2, Width: 3}},
		{"sigma", EWMAInput{Values: good, Lambda: 0.2, Width: 3}},
		{"sigma", EWMAInput{Values: good, Sigma: inf, Lambda: 0.2, Width: 3}},
		{"sigma", EWMAInput{Values: good, Sigma: math.MaxFloat64, Lambda: 1, Width: 3}},
		{"lambda", EWMAInput{Values: good, Sigma: 1, Width: 3}},
		{"lambda", EWMAInput{Values: good, Sigma: 1, Lambda: 1.1, Width: 3}},
		{"width", EWMAInput{Values: good, Sigma: 1, Lambda: 1}},
		{"width", EWMAInput{Values: good, Sigma: 1, Lambda: 1, Width: nan}},
	} {
		_, err := EWMAChart(c.in)
		refused("ewma", c.field, err)
	}
	for _, c := range []struct {
		field string
		in    CUSUMInput
	}{
		{"values", CUSUMInput{K: 1, H: 1}},
		{"values", CUSUMInput{Values: []float64{math.MaxFloat64}, Target: -math.MaxFloat64, H: 1}},
		{"target", CUSUMInput{Values: good, Target: inf, H: 1}},
		{"k", CUSUMInput{Values: good, K: -1, H: 1}},
		{"k", CUSUMInput{Values: good, K: nan, H: 1}},
		{"h", CUSUMInput{Values: good, K: 1}},
		{"h", CUSUMInput{Values: good, K: 1, H: inf}},
	} {
		_, err := CUSUMChart(c.in)
		refused("cusum", c.field, err)
	}
	for _, c := range []struct {
		field string
		in    ProportionInput
	}{
		{"counts", ProportionInput{}},
		{"sizes", ProportionInput{Counts: []int64{1}}},
		{"sizes[1]", ProportionInput{Counts: []int64{1, 0}, Sizes: []int64{1, 0}}},
		{"sizes[0]", ProportionInput{Counts: []int64{1}, Sizes: []int64{mostCounted + 1}}},
		{"counts[0]", ProportionInput{Counts: []int64{-1}, Sizes: []int64{1}}},
		{"counts[1]", ProportionInput{Counts: []int64{1, 4}, Sizes: []int64{1, 3}}},
	} {
		_, err := ProportionChart(c.in)
		refused("proportion", c.field, err)
	}
}

// By hand: 4, 6, 5 have the mean 5 and moving ranges 2 and 1.
func TestBaseline(t *testing.T) {
	for _, c := range []struct {
		values                 []float64
		mean, meanRange, sigma float64
	}{
		{nil, 0, 0, 0}, {[]float64{7}, 7, 0, 0}, {[]float64{4, 6, 5}, 5, 1.5, 1.3297872340425534}, {[]float64{3, 3, 3}, 3, 0, 0},
	} {
		mean, meanRange, sigma := Baseline(c.values)
		if mean != c.mean || meanRange != c.meanRange || sigma != c.sigma {
			t.Errorf("%v: %g, %g, %g", c.values, mean, meanRange, sigma)
		}
	}
}

// The signs of signals, and that a limit is within.
func TestSteps(t *testing.T) {
	individuals := Individuals{Mean: 10, Sigma: 2, Width: 3}
	for v, want := range map[float64]int{16: 0, 16.001: 1, 4: 0, 3.999: -1} {
		if got := individuals.Step(v); got != want {
			t.Errorf("individuals at %g: %d, want %d", v, got, want)
		}
	}
	cusum := CUSUM{Target: 10, K: 1, H: 2}
	for i, s := range []struct {
		v, high, low float64
		want         int
	}{
		{13, 2, 0, 0}, {12, 3, 0, 1}, {5, 0, 4, -1}, {20, 9, 0, 1},
	} {
		if got := cusum.Step(s.v); got != s.want || cusum.High != s.high || cusum.Low != s.low {
			t.Errorf("step %d: %d with %g and %g", i, got, cusum.High, cusum.Low)
		}
	}
	both := CUSUM{Target: 0, K: 0, H: 1, High: 5}
	if got := both.Step(-2); got != 1 || both.High != 3 || both.Low != 2 {
		t.Errorf("both sums beyond: %d with %g and %g", got, both.High, both.Low)
	}
	ewma := EWMA{Target: 10, Sigma: 1, Lambda: 1, Width: 3}
	for v, want := range map[float64]int{13: 0, 13.5: 1, 7: 0, 6.5: -1} {
		if got := ewma.Step(v); got != want || ewma.Value() != v {
			t.Errorf("ewma of weight 1 at %g: %d", v, got)
		}
	}
}

// A list says what its readings say one by one, to the bit; turned about the
// target, the sides change places. With weight 1 the EWMA is the chart of
// individuals, and its exact limits those of the long run.
func TestListAndStepsAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		eighths := rapid.Custom(func(t *rapid.T) float64 { return float64(rapid.IntRange(-80, 80).Draw(t, "v")) / 8 })
		values := rapid.SliceOfN(eighths, 2, 60).Draw(t, "values")
		target, k, h := eighths.Draw(t, "target"), math.Abs(eighths.Draw(t, "k"))/8, 0.125+math.Abs(eighths.Draw(t, "h"))
		sums, err := CUSUMChart(CUSUMInput{Values: values, Target: target, K: k, H: h})
		if err != nil {
			t.Fatal(err)
		}
		turned := make([]float64, len(values))
		c, first := CUSUM{Target: target, K: k, H: h}, 0
		for i, v := range values {
			if s := c.Step(v); s != 0 && first == 0 {
				first = i + 1
			}
			if c.High != sums.High[i] || c.Low != sums.Low[i] {
				t.Fatalf("after %d: %+v, in the list %g and %g", i+1, c, sums.High[i], sums.Low[i])
			}
			turned[i] = 2*target - v
		}
		// Page's way: the sum less its least so far.
		sum, least := 0.0, 0.0
		for i, v := range values {
			sum += v - target - k
			least = min(least, sum)
			if math.Abs(sums.High[i]-(sum-least)) > 1e-9 {
				t.Fatalf("after %d: %g, by the sum less its least %g", i+1, sums.High[i], sum-least)
			}
		}
		other, err := CUSUMChart(CUSUMInput{Values: turned, Target: target, K: k, H: h})
		if err != nil || sums.Signal != first || other.Signal != first || !slices.Equal(other.High, sums.Low) || !slices.Equal(other.Low, sums.High) {
			t.Fatalf("%+v, turned %+v, first %d, %v", sums, other, first, err)
		}

		in := EWMAInput{Values: values, Target: target, Sigma: 0.5 + math.Abs(eighths.Draw(t, "sigma")), Lambda: rapid.Float64Range(0.05, 1).Draw(t, "lambda"), Width: 2.5}
		means, err := EWMAChart(in)
		if err != nil {
			t.Fatal(err)
		}
		z, share := target, 0.0 // and the variance of z in those of a reading
		e := EWMA{Target: in.Target, Sigma: in.Sigma, Lambda: in.Lambda, Width: in.Width}
		var beyond []int
		for i, v := range values {
			if e.Step(v) != 0 {
				beyond = append(beyond, i+1)
			}
			z = in.Lambda*v + (1-in.Lambda)*z
			share = in.Lambda*in.Lambda + (1-in.Lambda)*(1-in.Lambda)*share
			reach := in.Width * in.Sigma * math.Sqrt(share)
			if e.Value() != means.EWMA[i] || math.Abs(z-means.EWMA[i]) > 1e-12 || math.Abs(means.HighAt[i]-(target+reach)) > 1e-12 || math.Abs(means.LowAt[i]-(target-reach)) > 1e-12 {
				t.Fatalf("after %d: %g, %g, %g; limits %g to %g, by the variance %g", i+1, e.Value(), means.EWMA[i], z, means.LowAt[i], means.HighAt[i], reach)
			}
			if out := means.EWMA[i]-target > reach+1e-12 || target-means.EWMA[i] > reach+1e-12; out && !slices.Contains(means.BeyondExact, i+1) {
				t.Fatalf("%g after %d is not beyond %g", means.EWMA[i], i+1, reach)
			}
		}
		if !slices.Equal(beyond, means.Beyond) || len(means.BeyondExact) < len(means.Beyond) {
			t.Fatalf("beyond %v, in the list %v, exactly %v", beyond, means.Beyond, means.BeyondExact)
		}

		single, err := IndividualsChart(IndividualsInput{Values: values})
		if err != nil || math.Abs(single.Mean-stat.Mean(values, nil)) > 1e-12 || math.Abs(single.High-single.Low-6*single.MeanMovingRange/1.128) > 1e-9 {
			t.Fatalf("%+v, %v", single, err)
		}
		for i, v := range values {
			if slices.Contains(single.Beyond, i+1) != (v < single.Low || v > single.High) {
				t.Fatalf("%g: %+v", v, single)
			}
		}
	})
}

// Limits stay from 0 to 1, close in as samples grow, and change places when
// hits become misses.
func TestProportionProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var in, missed ProportionInput
		for range rapid.IntRange(1, 20).Draw(t, "samples") {
			n := rapid.Int64Range(1, 500).Draw(t, "size")
			k := rapid.Int64Range(0, n).Draw(t, "count")
			in.Counts, in.Sizes = append(in.Counts, k), append(in.Sizes, n)
			missed.Counts, missed.Sizes = append(missed.Counts, n-k), append(missed.Sizes, n)
		}
		got, err := ProportionChart(in)
		if err != nil {
			t.Fatal(err)
		}
		other, err := ProportionChart(missed)
		if err != nil || !slices.Equal(got.Beyond, other.Beyond) {
			t.Fatalf("beyond %v, misses %v, %v", got.Beyond, other.Beyond, err)
		}
		for i := range in.Sizes {
			if !(0 <= got.Low[i] && got.Low[i] <= got.Mean && got.Mean <= got.High[i] && got.High[i] <= 1) || math.Abs(got.Low[i]+other.High[i]-1) > 1e-12 {
				t.Fatalf("%+v, misses %+v", got, other)
			}
			for j := range in.Sizes {
				if in.Sizes[i] > in.Sizes[j] && got.High[i] > got.High[j] {
					t.Fatalf("a larger sample has wider limits: %+v", got)
				}
			}
		}
	})
	for _, k := range []int64{0, 30} { // none, and all
		got, err := ProportionChart(ProportionInput{Counts: []int64{k, k}, Sizes: []int64{30, 30}})
		if err != nil || len(got.Beyond) != 0 || got.Low[0] != got.Mean || got.High[0] != got.Mean {
			t.Errorf("%+v, %v", got, err)
		}
	}
}
