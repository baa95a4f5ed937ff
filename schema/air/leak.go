package air

import (
	"gatewright/schema/input"
	"gatewright/schema/num"
)

// LeakdownInput is a test with the supply shut and nothing drawing air.
type LeakdownInput struct {
	VolumeL       float64  `json:"volume_l" unit:"L" doc:"receiver, pipes and hoses that stay under pressure" above:"0" max:"1000000"`
	StartBar      float64  `json:"start_bar" unit:"bar" doc:"gauge pressure at the start" above:"0" max:"100"`
	EndBar        float64  `json:"end_bar" unit:"bar" doc:"gauge pressure at the end" min:"0" max:"100"`
	Seconds       float64  `json:"seconds" unit:"s" doc:"time between the two" above:"0" max:"1000000"`
	AtmosphereBar *float64 `json:"atmosphere_bar" unit:"bar" doc:"absolute pressure around, 1.01325 without it" min:"0.3" max:"1.2"`
}

// LeakdownResult is the leak in free air.
type LeakdownResult struct {
	LeakLMinMean    float64  `json:"leak_l_min_mean" unit:"L/min" doc:"mean leak over the test, free air"`
	LeakLMinAtStart float64  `json:"leak_l_min_at_start" unit:"L/min" doc:"leak at the starting pressure, free air"`
	TimeConstantS   *float64 `json:"time_constant_s" unit:"s" doc:"time in which the absolute pressure falls to 1/e; none when it did not fall"`
	Choked          bool     `json:"choked" doc:"whether the leak was choked to the end (absolute pressure at least 1.893 times the atmosphere), as the exponential fall supposes"`
}

// chokedRatio is the least ratio of absolute pressures at which air at rest
// flows at the speed of sound through a nozzle: 1.2^3.5.
const chokedRatio = 1.8929291587378538

// Leakdown computes a leak from a fall in pressure. With absolute pressures
// P1 and P2 = gauge + atmosphere P, volume V and time t, at constant
// temperature:
//
//	mean     = V (P1 - P2) / (P t)
//	tau      = t / ln(P1/P2)
//	at start = V P1 / (P tau)
//
// While the flow through the leak is choked it is proportional to the absolute
// pressure, so that this falls as exp(-t/tau), and "at start" is exact. (The
// sourcebook's factor 1.25 on the mean stands for the same; exactly it is
// P1 ln(P1/P2) / (P1 - P2).) Where choked comes out false, the leak at the end
// was slower than that and tau is too long.
//
// It refuses an end above the start. Equal pressures are no leak that this
// gauge could show: 0, without a time constant.
//
// Source: US DOE, Improving Compressed Air System Performance: A Sourcebook
// for Industry, leak estimation; gas law.
func Leakdown(in LeakdownInput) (LeakdownResult, error) {
	atmosphere := orElse(in.AtmosphereBar, standardAtmosphere)
	if err := first(
		checked("volume_l", in.VolumeL, in.VolumeL > 0, "must be above 0"),
		checked("start_bar", in.StartBar, in.StartBar > 0, "must be above 0"),
		checked("end_bar", in.EndBar, in.EndBar >= 0, "must be at least 0"),
		checked("end_bar", in.EndBar, in.EndBar <= in.StartBar, "must not be above start_bar"),
		checked("seconds", in.Seconds, in.Seconds > 0, "must be above 0"),
		checked("atmosphere_bar", atmosphere, atmosphere > 0, "must be above 0"),
	); err != nil {
		return LeakdownResult{}, err
	}
	start, end := in.StartBar+atmosphere, in.EndBar+atmosphere
	out := LeakdownResult{Choked: end >= float64(chokedRatio*atmosphere)}
	if in.EndBar == in.StartBar {
		return out, nil
	}
	fall := in.StartBar - in.EndBar
	rate := num.Log1p(fall/end) / in.Seconds // 1/tau, in 1/s
	perMinute := float64(60*in.VolumeL) / atmosphere
	out.LeakLMinMean = float64(perMinute*fall) / in.Seconds
	out.LeakLMinAtStart = float64(float64(perMinute*start) * rate)
	tau := 1 / rate
	out.TimeConstantS = &tau
	if !finite(out.LeakLMinMean, out.LeakLMinAtStart) {
		return LeakdownResult{}, input.Bad("volume_l", "must be smaller: the leak is beyond the greatest number")
	}
	if !finite(tau) {
		return LeakdownResult{}, input.Bad("seconds", "must be smaller: the time constant is beyond the greatest number")
	}
	return out, nil
}

// LoadInput is a compressor watched with nothing drawing air.
type LoadInput struct {
	LoadS      float64  `json:"load_s" unit:"s" doc:"time that it pumped" min:"0" max:"1000000"`
	UnloadS    float64  `json:"unload_s" unit:"s" doc:"time that it did not, running idle or stopped" min:"0" max:"1000000"`
	CapacityLS *float64 `json:"capacity_l_s" unit:"L/s" doc:"free air that it delivers while it pumps" above:"0" max:"100000"`
}

// LoadResult is the leak as a share of the compressor.
type LoadResult struct {
	LeakPercent float64  `json:"leak_percent" unit:"%" doc:"share of the compressor's capacity that leaks away"`
	LeakLS      *float64 `json:"leak_l_s" unit:"L/s" doc:"leak in free air, when the capacity is known"`
}

// Load computes leak = 100 T/(T + t) percent, with T the time loaded and t the
// time unloaded over some whole cycles, and that share of the capacity. Time
// in which the machine is switched off by hand belongs to neither.
//
// Source: US DOE, Improving Compressed Air System Performance: A Sourcebook
// for Industry, leak estimation for load/unload and start/stop controls.
func Load(in LoadInput) (LoadResult, error) {
	if err := first(
		checked("load_s", in.LoadS, in.LoadS >= 0, "must be at least 0"),
		checked("unload_s", in.UnloadS, in.UnloadS >= 0, "must be at least 0"),
	); err != nil {
		return LoadResult{}, err
	}
	whole := in.LoadS + in.UnloadS
	if whole == 0 {
		return LoadResult{}, input.Bad("load_s", "must be above 0 when unload_s is 0")
	}
	if !finite(whole) {
		return LoadResult{}, input.Bad("load_s", "must be smaller: with unload_s it is beyond the greatest number")
	}
	share := in.LoadS / whole
	out := LoadResult{LeakPercent: float64(100 * share)}
	if in.CapacityLS != nil {
		c := *in.CapacityLS
		if err := checked("capacity_l_s", c, c > 0, "must be above 0"); err != nil {
			return LoadResult{}, err
		}
		leak := float64(share * c)
		out.LeakLS = &leak
	}
	return out, nil
}
