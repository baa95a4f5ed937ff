package rates

import (
	"math"
	"testing"
)

func within(t *testing.T, name string, got, want, most float64) {
	t.Helper()
	if !(math.Abs(got-want) <= most) {
		t.Errorf("%s = %.15g, want %.15g within %g", name, got, want, most)
	}
}

// Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3.
func TestWilsonOnNewcombe(t *testing.T) {
	for _, c := range []struct {
		hits, trials int64
		low, high    float64
	}{
		{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718},
	} {
		got, err := Interval(IntervalInput{Hits: c.hits, Trials: c.trials, Confidence: 0.95, Method: "wilson"})
		if err != nil {
			t.Fatal(err)
		}
		within(t, "low", got.Low, c.low, 5e-5)
		within(t, "high", got.High, c.high, 5e-5)
	}
}

// NIST/SEMATECH e-Handbook, section 7.2.4.2: 4 of 20 at 90 %; the limits are
// from memory. The handbook's spreadsheet gives 0.401029 where the exact
// value is 0.4010281.
func TestExactOnHandbook(t *testing.T) {
	got, err := Interval(IntervalInput{Hits: 4, Trials: 20, Confidence: 0.9, Method: "exact"})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "low", got.Low, 0.071354, 1e-6)
	within(t, "high", got.High, 0.401029, 1.5e-6)
}

// Fisher's tea taster (R's fisher.test example, from memory): 34/70.
func TestFisherOnTea(t *testing.T) {
	got, err := Difference(DifferenceInput{HitsA: 3, TrialsA: 4, HitsB: 1, TrialsB: 4, Confidence: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "p_value", got.PValue, 34.0/70, 1e-12)
}

// Newcombe, Statistics in Medicine 17 (1998) 873-890, table II, method 10
// (from memory).
func TestDifferenceOnNewcombe(t *testing.T) {
	for _, c := range []struct {
		hitsA, trialsA, hitsB, trialsB int64
		low, high                      float64
	}{
		{56, 70, 48, 80, 0.0524, 0.3339}, {9, 10, 3, 10, 0.1705, 0.8090}, {6, 7, 2, 7, 0.0582, 0.8062},
		{5, 56, 0, 29, -0.0381, 0.1926}, {0, 10, 0, 20, -0.1611, 0.2775}, {0, 10, 0, 10, -0.2775, 0.2775},
		{10, 10, 0, 20, 0.6791, 1}, {10, 10, 0, 10, 0.6075, 1},
	} {
		got, err := Difference(DifferenceInput{HitsA: c.hitsA, TrialsA: c.trialsA, HitsB: c.hitsB, TrialsB: c.trialsB, Confidence: 0.95})
		if err != nil {
			t.Fatal(err)
		}
		within(t, "low", got.Low, c.low, 5e-5)
		within(t, "high", got.High, c.high, 5e-5)
	}
}

// A confidence so small that no interval is left: the ends meet, with no hits too.
func TestIntervalOfNoConfidence(t *testing.T) {
	for hits, want := range map[int64]float64{0: 0, 5: 0.5, 10: 1} {
		got, err := Interval(IntervalInput{Hits: hits, Trials: 10, Confidence: 5e-324, Method: "wilson"})
		if err != nil || got.Low != want || got.High != want {
			t.Errorf("%d of 10: %+v, %v", hits, got, err)
		}
	}
}
