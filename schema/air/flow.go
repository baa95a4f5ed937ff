package air

import (
	"gatewright/schema/input"
	"gatewright/schema/num"
)

// FlowInput is a valve, fitting or restrictor between two pressures.
type FlowInput struct {
	CLSBar       float64 `json:"c_l_s_bar" unit:"L/(s bar)" doc:"sonic conductance, ANR, from the maker's sheet" above:"0" max:"10000"`
	B            float64 `json:"b" doc:"critical ratio of pressures, from the maker's sheet; 0.3 is common for valves" min:"0" below:"1"`
	P1Bar        float64 `json:"p1_bar" unit:"bar" doc:"absolute pressure before it" above:"0" max:"200"`
	P2Bar        float64 `json:"p2_bar" unit:"bar" doc:"absolute pressure behind it" min:"0" max:"200"`
	TemperatureC float64 `json:"temperature_c" unit:"°C" doc:"temperature of the air before it" above:"-273.15" max:"500"`
}

// FlowResult is the flow through it.
type FlowResult struct {
	FlowLS float64 `json:"flow_l_s" unit:"L/s" doc:"flow, ANR"`
	Choked bool    `json:"choked" doc:"whether it flows at the speed of sound: less pressure behind it brings no more"`
}

// Flow computes, with r = p2/p1 and T the temperature in kelvin,
//
//	q = C p1 sqrt(293.15/T)                            for r <= b (choked)
//	q = C p1 sqrt(293.15/T) sqrt(1 - ((r-b)/(1-b))²)   for r > b
//
// It refuses a p2 above p1: turn them round.
//
// Source: ISO 6358-1:2013, flow-rate characteristics, with the subsonic index
// 0.5 (a quarter of an ellipse).
func Flow(in FlowInput) (FlowResult, error) {
	if err := first(
		checked("c_l_s_bar", in.CLSBar, in.CLSBar > 0, "must be above 0"),
		checked("b", in.B, in.B >= 0 && in.B < 1, "must be at least 0 and below 1"),
		checked("p1_bar", in.P1Bar, in.P1Bar > 0, "must be above 0"),
		checked("p2_bar", in.P2Bar, in.P2Bar >= 0, "must be at least 0"),
		checked("p2_bar", in.P2Bar, in.P2Bar <= in.P1Bar, "must not be above p1_bar: air flows the other way then"),
		checked("temperature_c", in.TemperatureC, in.TemperatureC > -273.15, "must be above absolute zero, -273.15"),
	); err != nil {
		return FlowResult{}, err
	}
	flow := float64(float64(in.CLSBar*in.P1Bar) * num.Sqrt(293.15/(in.TemperatureC+273.15)))
	out := FlowResult{FlowLS: flow, Choked: true}
	if r := in.P2Bar / in.P1Bar; r > in.B {
		x := (r - in.B) / (1 - in.B)
		out.FlowLS = float64(flow * num.Sqrt((1-x)*(1+x)))
		out.Choked = false
	}
	if !finite(out.FlowLS) {
		return FlowResult{}, input.Bad("c_l_s_bar", "must be smaller: the flow is beyond the greatest number")
	}
	return out, nil
}
