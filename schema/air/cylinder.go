package air

import (
	"gatewright/schema/input"
)

// CylinderInput describes a double-acting ram and its supply.
type CylinderInput struct {
	BoreMM        float64  `json:"bore_mm" unit:"mm" doc:"inner diameter of the ram" above:"0" max:"1000"`
	RodMM         float64  `json:"rod_mm" unit:"mm" doc:"diameter of its rod" min:"0" max:"1000"`
	StrokeMM      float64  `json:"stroke_mm" unit:"mm" doc:"its stroke" above:"0" max:"10000"`
	PressureBar   float64  `json:"pressure_bar" unit:"bar" doc:"gauge pressure at the ram while it moves" min:"0" max:"100"`
	Efficiency    *float64 `json:"efficiency" doc:"share of the thrust that friction leaves, 1 without it; 0.85 to 0.9 is a common allowance" above:"0" max:"1"`
	AtmosphereBar *float64 `json:"atmosphere_bar" unit:"bar" doc:"absolute pressure around, 1.01325 without it" min:"0.3" max:"1.2"`
}

// CylinderResult is the ram's thrust and its air.
type CylinderResult struct {
	PushN    float64 `json:"push_n" unit:"N" doc:"thrust when the rod comes out"`
	PullN    float64 `json:"pull_n" unit:"N" doc:"thrust when the rod goes in"`
	FreeAirL float64 `json:"free_air_l" unit:"L" doc:"free air for one double stroke, without hoses"`
}

const quarterPi = 0.78539816339744830962

// Cylinder computes, with A = pi/4 bore², a = pi/4 rod², gauge pressure p and
// atmosphere P:
//
//	push = efficiency p A
//	pull = efficiency p (A - a)
//	free air of a double stroke = (2A - a) stroke (p + P)/P
//
// The thrust is that of a ram standing still against its load; a moving one
// has back pressure from its exhaust restrictor. The volume of hoses is not
// included. It refuses a rod that is not thinner than the bore.
//
// Sources: areas and thrust as in catalogues of ISO 15552 rams; air as in the
// compressed-air tools of the US Department of Energy (double acting).
func Cylinder(in CylinderInput) (CylinderResult, error) {
	efficiency, atmosphere := orElse(in.Efficiency, 1), orElse(in.AtmosphereBar, standardAtmosphere)
	if err := first(
		checked("bore_mm", in.BoreMM, in.BoreMM > 0, "must be above 0"),
		checked("rod_mm", in.RodMM, in.RodMM >= 0, "must be at least 0"),
		checked("rod_mm", in.RodMM, in.RodMM < in.BoreMM, "must be below bore_mm"),
		checked("stroke_mm", in.StrokeMM, in.StrokeMM > 0, "must be above 0"),
		checked("pressure_bar", in.PressureBar, in.PressureBar >= 0, "must be at least 0"),
		checked("efficiency", efficiency, efficiency > 0 && efficiency <= 1, "must be above 0 and at most 1"),
		checked("atmosphere_bar", atmosphere, atmosphere > 0, "must be above 0"),
	); err != nil {
		return CylinderResult{}, err
	}
	whole := float64(quarterPi * float64(in.BoreMM*in.BoreMM))
	ring := float64(quarterPi * float64((in.BoreMM-in.RodMM)*(in.BoreMM+in.RodMM)))
	newton := float64(efficiency*in.PressureBar) / 10 // 1 bar is 0.1 N/mm²
	out := CylinderResult{
		PushN:    float64(newton * whole),
		PullN:    float64(newton * ring),
		FreeAirL: float64(float64((whole+ring)*in.StrokeMM)*((in.PressureBar+atmosphere)/atmosphere)) / 1e6,
	}
	if !finite(out.PushN, out.PullN, out.FreeAirL) {
		return CylinderResult{}, input.Bad("bore_mm", "must be smaller: the result is beyond the greatest number")
	}
	return out, nil
}
