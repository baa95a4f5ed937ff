package tolerance

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"gatewright/schema/input"
)

func to(f float64) *float64 { return &f }

func check(t interface {
	Helper()
	Fatal(...any)
}, in CheckInput) CheckResult {
	t.Helper()
	out, err := Check(in)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func within(t *testing.T, name string, got, want, most float64) {
	t.Helper()
	if !(math.Abs(got-want) <= most) {
		t.Errorf("%s = %.12g, want %.12g within %g", name, got, want, most)
	}
}

// JCGM 106:2012, clause 7.3, a single upper limit (from memory): p = 0.92,
// exactly 0.919243.
func TestOneUpperLimit(t *testing.T) {
	got := check(t, CheckInput{Value: -5.47, U: 0.05, High: to(-5.4), Guard: DefaultGuard})
	within(t, "p_within", got.PWithin, 0.92, 0.005)
	within(t, "p_within", got.PWithin, 0.919243, 5e-7)
	if got.Verdict != Doubtful || got.GuardedLow != nil || got.PBelow != 0 {
		t.Errorf("%+v", got)
	}
}

// JCGM 106:2012, clause 8.3.3 (from memory): speeding is shown with 99.9 % from
// 107 km/h on at a limit of 100 and 2 % uncertainty, exactly from 106.588.
func TestGuardedRejection(t *testing.T) {
	z := distuv.UnitNormal.Quantile(0.999)
	for _, c := range []struct {
		speed   float64
		verdict string
	}{{107, Outside}, {106.59, Outside}, {106.58, Doubtful}, {101, Doubtful}} {
		got := check(t, CheckInput{Value: c.speed, U: 0.02 * c.speed, High: to(100), Guard: z})
		if got.Verdict != c.verdict || (got.PAbove >= 0.999) != (c.verdict == Outside) {
			t.Errorf("%g: %s with %g", c.speed, got.Verdict, got.PAbove)
		}
	}
	within(t, "p_above", check(t, CheckInput{Value: 106.588, U: 0.02 * 106.588, High: to(100)}).PAbove, 0.999, 1e-6)
}

// ILAC-G8:09/2019, table 1: risk at the acceptance limit for a guard band of
// so many expanded uncertainties (k = 2). Read: 0 and 1; the others from
// memory. The table states bounds.
func TestRiskAtTheGuardedLimit(t *testing.T) {
	for _, c := range []struct{ bands, most, exact float64 }{
		{0, 0.5, 0.5}, {0.83, 0.05, 0.04846}, {1, 0.025, 0.02275}, {1.5, 0.0016, 0.00135}, {3, 1e-6, 9.9e-10},
	} {
		in := CheckInput{Value: 0, U: 0.5, High: to(10), Guard: 2 * c.bands}
		in.Value = *check(t, in).GuardedHigh
		got := check(t, in)
		if got.Verdict != Inside || got.PAbove > c.most {
			t.Errorf("%g: %s with a risk of %g, want at most %g", c.bands, got.Verdict, got.PAbove, c.most)
		}
		within(t, "risk", got.PAbove, c.exact, 0.005*c.exact)
	}
}

// ISO 14253-1:2017 (from memory): by default 1.65 u, so that an upper limit of
// 10 with U = 1 (k = 2) accepts up to 9.175.
func TestDefaultGuard(t *testing.T) {
	for _, c := range []struct {
		value   float64
		verdict string
	}{{9.175, Inside}, {9.17500001, Doubtful}, {10, Doubtful}, {10.825, Doubtful}, {10.82500001, Outside}, {-4, Inside}} {
		got := check(t, CheckInput{Value: c.value, U: 0.5, High: to(10), Guard: DefaultGuard})
		if got.Verdict != c.verdict {
			t.Errorf("%g: %s, want %s", c.value, got.Verdict, c.verdict)
		}
		within(t, "guarded_high", *got.GuardedHigh, 9.175, 1e-14)
	}
}

// The probabilities are computed apart, from the C library's erfc.
func TestVerdicts(t *testing.T) {
	for _, c := range []struct {
		name    string
		in      CheckInput
		verdict string
		p       float64
	}{
		{"exactly known, within", CheckInput{Value: 5, Low: to(4), High: to(6), Guard: 1.65}, Inside, 1},
		{"exactly known, at the lower limit", CheckInput{Value: 4, Low: to(4), High: to(6), Guard: 1.65}, Inside, 1},
		{"exactly known, at the upper limit", CheckInput{Value: 6, Low: to(4), High: to(6), Guard: 1.65}, Inside, 1},
		{"exactly known, beyond", CheckInput{Value: 6.0000000001, Low: to(4), High: to(6), Guard: 1.65}, Outside, 0},
		{"exactly known, below", CheckInput{Value: 3.9999999999, Low: to(4), Guard: 1.65}, Outside, 0},
		{"limits of one point", CheckInput{Value: 4, Low: to(4), High: to(4), Guard: 1.65}, Inside, 1},
		{"no guard, within", CheckInput{Value: 5.999, U: 1, Low: to(4), High: to(6)}, Inside, 0.477594765},
		{"no guard, beyond", CheckInput{Value: 6.001, U: 1, Low: to(4), High: to(6)}, Outside, 0.476904863},
		{"instrument too coarse", CheckInput{Value: 5, U: 1, Low: to(4), High: to(6), Guard: 1.65}, Doubtful, 0.682689492},
		{"low side", CheckInput{Value: 4.1, U: 0.1, Low: to(4), Guard: 1.65}, Doubtful, 0.841344746},
		{"low side, beyond the band", CheckInput{Value: 3.8, U: 0.1, Low: to(4), Guard: 1.65}, Outside, 0.022750132},
		{"a decimal that binary rounds", CheckInput{Value: 0.3, U: 0.1, Low: to(0.1), Guard: 2}, Inside, 0.977249868},
		{"across zero", CheckInput{Value: 0, U: 0.1, Low: to(-0.3), Guard: 3}, Inside, 0.998650102},
		{"far beyond", CheckInput{Value: 1e90, U: 1e-90, Low: to(0), High: to(1), Guard: 1.65}, Outside, 0},
		{"far beyond, coarsely", CheckInput{Value: 20, U: 1, Low: to(9), High: to(10), Guard: 1.65}, Outside, 7.61966196e-24},
		{"far below, coarsely", CheckInput{Value: -20, U: 1, Low: to(-10), High: to(-9), Guard: 1.65}, Outside, 7.61966196e-24},
	} {
		got := check(t, c.in)
		if got.Verdict != c.verdict {
			t.Errorf("%s: %s, want %s", c.name, got.Verdict, c.verdict)
		}
		within(t, c.name, got.PWithin, c.p, 1e-8*c.p)
	}
}

func TestRefusals(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		field string
		in    CheckInput
	}{
		{"value", CheckInput{Value: nan, Low: to(1)}},
		{"u", CheckInput{U: -1, Low: to(1)}},
		{"u", CheckInput{U: inf, Low: to(1)}},
		{"low", CheckInput{Low: to(inf)}},
		{"high", CheckInput{High: to(nan)}},
		{"guard", CheckInput{High: to(1), Guard: -1}},
		{"guard", CheckInput{High: to(1), Guard: nan}},
		{"low", CheckInput{}},
		{"low", CheckInput{Low: to(2), High: to(1)}},
		{"u", CheckInput{U: 1e308, Guard: 1000, High: to(1)}},
	} {
		_, err := Check(c.in)
		var p *input.Problem
		if !errors.As(err, &p) || p.Field != c.field {
			t.Errorf("%+v: %v, want a problem with %s", c.in, err, c.field)
		}
	}
}

// The probabilities are those of gonum's normal distribution and add up; what
// is inside at one limit is within with the probability that the guard
// promises; moving further in never makes it worse.
func TestProperties(t *testing.T) {
	rank := map[string]int{Outside: 0, Doubtful: 1, Inside: 2}
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-100, 100).Draw(t, "low")
		high := low + rapid.Float64Range(0, 50).Draw(t, "zone")
		u := rapid.Float64Range(0.01, 20).Draw(t, "u")
		value := rapid.Float64Range(-200, 200).Draw(t, "value")
		guard := rapid.Float64Range(0, 4).Draw(t, "guard")
		got := check(t, CheckInput{Value: value, U: u, Low: &low, High: &high, Guard: guard})
		d := distuv.Normal{Mu: value, Sigma: u}
		if want := d.CDF(high) - d.CDF(low); math.Abs(got.PWithin-want) > 1e-13 {
			t.Fatalf("p_within %g, gonum %g", got.PWithin, want)
		}
		if sum := got.PWithin + got.PBelow + got.PAbove; math.Abs(sum-1) > 1e-14 {
			t.Fatalf("they add up to %g", sum)
		}
		one := check(t, CheckInput{Value: value, U: u, High: &high, Guard: guard})
		promised := distuv.UnitNormal.CDF(guard) - 1e-9
		if one.Verdict == Inside && one.PWithin < promised || one.Verdict == Outside && one.PAbove < promised {
			t.Fatalf("%s with %g, promised %g", one.Verdict, one.PWithin, promised)
		}
		step := rapid.Float64Range(0, 10).Draw(t, "step")
		further := check(t, CheckInput{Value: value - step, U: u, High: &high, Guard: guard})
		if rank[further.Verdict] < rank[one.Verdict] || further.PWithin < one.PWithin-1e-15 {
			t.Fatalf("further from the limit: %+v, then %+v", one, further)
		}
	})
}
