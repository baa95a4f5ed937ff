package air

import (
	"errors"
	"math"
	"testing"

	"gatewright/schema/input"
)

// Whatever numbers come, the answer is finite or a problem of a field.
func TestNonsense(t *testing.T) {
	odd := []float64{0, -1, 5e-324, 0.5, 1, 7, 1e300, math.MaxFloat64, math.NaN(), math.Inf(1), math.Inf(-1)}
	check := func(err error, results ...float64) {
		t.Helper()
		var p *input.Problem
		if err != nil && (!errors.As(err, &p) || p.Field == "") || err == nil && !finite(results...) {
			t.Fatalf("%v, %v", results, err)
		}
	}
	for _, a := range odd {
		for _, b := range odd {
			for _, c := range odd {
				for _, d := range odd {
					r, err := Cylinder(CylinderInput{BoreMM: a, RodMM: b, StrokeMM: c, PressureBar: d, Efficiency: &b, AtmosphereBar: &c})
					check(err, r.PushN, r.PullN, r.FreeAirL)
					r, err = Cylinder(CylinderInput{BoreMM: a, StrokeMM: b, PressureBar: c, AtmosphereBar: &d})
					check(err, r.PushN, r.PullN, r.FreeAirL)
					l, err := Leakdown(LeakdownInput{VolumeL: a, StartBar: b, EndBar: c, Seconds: d})
					check(err, l.LeakLMinMean, l.LeakLMinAtStart, orElse(l.TimeConstantS, 0))
					l, err = Leakdown(LeakdownInput{VolumeL: a, StartBar: b, EndBar: 0.25, Seconds: c, AtmosphereBar: &d})
					check(err, l.LeakLMinMean, l.LeakLMinAtStart, orElse(l.TimeConstantS, 0))
					f, err := Flow(FlowInput{CLSBar: a, B: 0.3, P1Bar: b, P2Bar: c, TemperatureC: d})
					check(err, f.FlowLS)
					o, err := Load(LoadInput{LoadS: a, UnloadS: b, CapacityLS: &c})
					check(err, o.LeakPercent, orElse(o.LeakLS, 0))
				}
			}
		}
	}
}
