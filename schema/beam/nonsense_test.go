package beam

import (
	"errors"
	"math"
	"testing"

	"gatewright/schema/input"
)

// Whatever numbers come, the answer is finite or a problem of a field.
func TestNonsense(t *testing.T) {
	odd := []float64{0, -1, 5e-324, 0.5, 1, 7, 1e300, math.MaxFloat64, math.NaN(), math.Inf(1), math.Inf(-1)}
	for _, a := range odd {
		for _, b := range odd {
			for _, c := range odd {
				r, err := Gain(GainInput{Gain: a, GainAtM: b, AtM: c, Dirt: "high"})
				var p *input.Problem
				if err != nil && (!errors.As(err, &p) || p.Field == "") || err == nil && (r.ExcessGain-r.ExcessGain != 0 || r.FarthestM-r.FarthestM != 0) {
					t.Fatalf("%v %v %v: %+v, %v", a, b, c, r, err)
				}
			}
		}
	}
}
