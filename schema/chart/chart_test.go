package chart

import (
	"math"
	"slices"
	"testing"
)

func within(t *testing.T, name string, got, want, most float64) {
	t.Helper()
	if !(math.Abs(got-want) <= most) {
		t.Errorf("%s = %.10g, want %.10g within %g", name, got, want, most)
	}
}

// NIST/SEMATECH e-Handbook, section 6.3.2.2 (flow rate): mean, mean moving
// range and limits.
func TestIndividualsOnFlowRate(t *testing.T) {
	got, err := IndividualsChart(IndividualsInput{Values: []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "mean", got.Mean, 50.81, 1e-12)
	within(t, "mean_moving_range", got.MeanMovingRange, 1.8778, 5e-5)
	within(t, "high", got.High, 55.8041, 5e-5)
	within(t, "low", got.Low, 45.8159, 5e-5)
	if len(got.Beyond) != 0 {
		t.Errorf("beyond %v", got.Beyond)
	}
	got, err = IndividualsChart(IndividualsInput{Values: []float64{5, 5.1, 4.9, 5, 5.1, 4.9, 5, 5.1, 9, 5, 5.1, 1, 5, 4.9, 5, 5.1}})
	if err != nil || !slices.Equal(got.Beyond, []int{9, 12}) {
		t.Errorf("beyond %v, %v", got.Beyond, err)
	}
}

// NIST/SEMATECH e-Handbook, section 6.3.2.3: data and table from memory, the
// first signal at group 14.
func TestCUSUMOnGroupMeans(t *testing.T) {
	got, err := CUSUMChart(CUSUMInput{
		Values: []float64{324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6, 324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35},
		Target: 325, K: 0.3175, H: 4.1959,
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.0, 19.04} {
		within(t, "high", got.High[i], want, 0.006)
	}
	for i, want := range []float64{0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0} {
		within(t, "low", got.Low[i], want, 0.006)
	}
	if got.Signal != 14 {
		t.Errorf("signal %d", got.Signal)
	}
}

// NIST/SEMATECH e-Handbook, section 6.3.2.4 (data, averages and limits from
// memory; the last ten readings are those of section 6.3.2.2).
func TestEWMAOnHandbook(t *testing.T) {
	got, err := EWMAChart(EWMAInput{
		Values: []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1},
		Target: 50, Sigma: 2.0539, Lambda: 0.3, Width: 3,
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99} {
		within(t, "ewma", got.EWMA[i], want, 0.0051)
	}
	within(t, "high", got.High, 52.5884, 1e-4)
	within(t, "low", got.Low, 47.4115, 1.5e-4)
	if len(got.Beyond) != 0 {
		t.Errorf("beyond %v", got.Beyond)
	}
}

// NIST/SEMATECH e-Handbook, data set MONITOR-6_3_3_2.DAT, section 6.3.3.2:
// data and mean as published, the limits computed from them.
func TestProportionOnWafers(t *testing.T) {
	in := ProportionInput{}
	for _, f := range []float64{0.24, 0.3, 0.16, 0.2, 0.08, 0.14, 0.32, 0.18, 0.28, 0.2, 0.1, 0.12, 0.34, 0.24, 0.44, 0.16, 0.2, 0.1, 0.26, 0.22, 0.4, 0.36, 0.48, 0.3, 0.18, 0.24, 0.14, 0.26, 0.18, 0.12} {
		in.Counts = append(in.Counts, int64(math.Round(50*f)))
		in.Sizes = append(in.Sizes, 50)
	}
	got, err := ProportionChart(in)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "mean", got.Mean, 0.2313, 5e-5)
	within(t, "high", got.High[0], 0.4102, 5e-5)
	within(t, "low", got.Low[0], 0.0524, 5e-5)
	if !slices.Equal(got.Beyond, []int{15, 23}) {
		t.Errorf("beyond %v", got.Beyond)
	}
}
