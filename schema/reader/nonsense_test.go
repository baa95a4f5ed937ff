package reader

import (
	"errors"
	"math"
	"testing"

	"gatewright/schema/input"
)

// Whatever numbers come, the answer is finite or a problem of a field.
func TestNonsense(t *testing.T) {
	odd := []float64{0, -1, 5e-324, 0.5, 1, 45, 89.99999999999999, 179.9, 1e300, math.MaxFloat64, math.NaN(), math.Inf(1), math.Inf(-1)}
	for _, a := range odd {
		for _, b := range odd {
			for _, c := range odd {
				for _, d := range odd {
					r, err := Zone(ZoneInput{HeightM: a, TiltDeg: b, BeamDeg: c, SpeedMS: d, ReadsPerS: a, PRead: 0.5})
					var p *input.Problem
					if err != nil && (!errors.As(err, &p) || p.Field == "") {
						t.Fatal(err)
					}
					for _, x := range []float64{r.OffsetM, r.NearM, r.FarM, r.LengthM, r.Seconds, r.Reads, r.PAtLeastOne, r.PAtWorst} {
						if x-x != 0 {
							t.Fatalf("%v %v %v %v: %+v", a, b, c, d, r)
						}
					}
					if r.LengthM < 0 || r.PAtLeastOne < 0 || r.PAtLeastOne > 1 {
						t.Fatalf("%v %v %v %v: %+v", a, b, c, d, r)
					}
				}
			}
		}
	}
}
