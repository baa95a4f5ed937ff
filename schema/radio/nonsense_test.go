package radio

import (
	"errors"
	"math"
	"testing"

	"gatewright/schema/input"
)

// Whatever numbers come, the answer is finite or a problem of a field.
func TestNonsense(t *testing.T) {
	odd := []float64{0, -1, 5e-324, 0.5, 1, 7, 1e300, math.MaxFloat64, -math.MaxFloat64, math.NaN(), math.Inf(1), math.Inf(-1)}
	check := func(err error, results ...float64) {
		t.Helper()
		var p *input.Problem
		if err != nil && (!errors.As(err, &p) || p.Field == "") {
			t.Fatal(err)
		}
		for _, x := range results {
			if err == nil && x-x != 0 {
				t.Fatalf("%v", results)
			}
		}
	}
	for _, a := range odd {
		for _, b := range odd {
			r, err := FreeSpace(FreeSpaceInput{a, b})
			check(err, r.LossDB)
			for _, c := range odd {
				for _, d := range odd {
					for _, known := range []*float64{nil, &d} {
						f, err := Fit(FitInput{DistanceM: []float64{a, b, 3}, LevelDBm: []float64{c, d, -40}, ReferenceM: b, ReferenceDBm: known})
						check(err, f.Exponent, f.ReferenceDBm, f.RMSDB)
						if f.SDDB != nil {
							check(err, *f.SDDB)
						}
					}
				}
			}
		}
	}
}
