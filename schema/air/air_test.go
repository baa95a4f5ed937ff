package air

import (
	"errors"
	"math"
	"strings"
	"testing"

	"gatewright/schema/input"

	"pgregory.net/rapid"
)

func ptr(x float64) *float64 { return &x }

func near(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }

func cylinder(t testing.TB, in CylinderInput) CylinderResult {
	t.Helper()
	r, err := Cylinder(in)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Theoretical thrust at 6 bar of rams with the bores and rods of ISO 15552, as
// catalogues print it in whole newtons (from memory).
func TestThrust(t *testing.T) {
	for _, c := range []struct{ bore, rod, push, pull float64 }{
		{32, 12, 483, 415}, {40, 16, 754, 633}, {50, 20, 1178, 990}, {63, 20, 1870, 1682}, {80, 25, 3016, 2721}, {100, 25, 4712, 4418},
	} {
		r := cylinder(t, CylinderInput{BoreMM: c.bore, RodMM: c.rod, StrokeMM: 300, PressureBar: 6})
		if !near(r.PushN, c.push, 0.5) || !near(r.PullN, c.pull, 0.5) {
			t.Errorf("%v/%v: %v, %v, want %v, %v", c.bore, c.rod, r.PushN, r.PullN, c.push, c.pull)
		}
		half := cylinder(t, CylinderInput{BoreMM: c.bore, RodMM: c.rod, StrokeMM: 300, PressureBar: 6, Efficiency: ptr(0.5)})
		if half.PushN != r.PushN/2 || half.FreeAirL != r.FreeAirL {
			t.Errorf("%v: an efficiency of a half gives %v", c.bore, half)
		}
	}
}

// Air of a double stroke: the formula is that of ORNL's MEASUR tools, the
// number computed by hand from it (derived, not published).
func TestFreeAir(t *testing.T) {
	r := cylinder(t, CylinderInput{BoreMM: 50, RodMM: 20, StrokeMM: 300, PressureBar: 6})
	if !near(r.FreeAirL, 7.5019, 1e-3) {
		t.Errorf("%v L", r.FreeAirL)
	}
}

// AMO/MEASUR Tools Suite (Oak Ridge National Laboratory),
// tests/cpp/CompressedAir.unit.cpp, double acting. That release took 0.785 for
// pi/4, hence 5e-4, and 14.7 psi for the atmosphere, which is passed here.
func TestFreeAirOfMeasur(t *testing.T) {
	const inch, psi, foot3 = 25.4, 0.06894757293168361, 28.316846592
	for _, c := range []struct{ bore, stroke, rod, psig, cpm, scfm float64 }{
		{1.5, 6, 0.375, 100, 60, 5.5628677057}, {3.5, 6, 0.375, 100, 60, 31.0842679324},
		{1.5, 9, 0.375, 100, 60, 8.3443015585}, {1.5, 6, 0.575, 140, 90, 10.7637503255},
	} {
		r := cylinder(t, CylinderInput{BoreMM: c.bore * inch, RodMM: c.rod * inch, StrokeMM: c.stroke * inch, PressureBar: c.psig * psi, AtmosphereBar: ptr(14.7 * psi)})
		if got := r.FreeAirL / foot3 * c.cpm; math.Abs(got/c.scfm-1) > 1e-3 {
			t.Errorf("%v: %v scfm, want %v", c, got, c.scfm)
		} else if exact := got * 0.785 / (math.Pi / 4); math.Abs(exact/c.scfm-1) > 1e-9 {
			t.Errorf("%v: with 0.785 for pi/4 %v scfm, want %v", c, exact, c.scfm)
		}
	}
}

// The sourcebook's formula V (P1-P2)/(T 14.7) 1.25 with V = 100 ft3, 100 to
// 50 psig, 10 min: 42.517 ft3/min (derived from the formula). 1.25 is its
// allowance for the mean pressure; exactly, at constant temperature, it is
// P1 ln(P1/P2)/(P1-P2) = 1.313 here.
func TestLeakdown(t *testing.T) {
	const psi, foot3 = 0.06894757293168361, 28.316846592
	r, err := Leakdown(LeakdownInput{VolumeL: 100 * foot3, StartBar: 100 * psi, EndBar: 50 * psi, Seconds: 600, AtmosphereBar: ptr(14.7 * psi)})
	if err != nil {
		t.Fatal(err)
	}
	if got := r.LeakLMinMean / foot3 * 1.25; !near(got, 42.517, 1e-3) {
		t.Errorf("mean %v ft3/min", got)
	}
	if got := r.LeakLMinAtStart / r.LeakLMinMean; !near(got, 1.313, 5e-4) {
		t.Errorf("at the start %v times the mean", got)
	}
	if want := 600 / math.Log(114.7/64.7); math.Abs(*r.TimeConstantS/want-1) > 1e-14 {
		t.Errorf("time constant %v s, want %v", *r.TimeConstantS, want)
	}
	if !r.Choked {
		t.Error("64.7 psi absolute is choked")
	}
}

// A receiver emptied step by step through a choked leak (the gas law in small
// steps, an oracle of its own): the two pressures give back leak and constant.
func TestLeakdownAgainstSimulation(t *testing.T) {
	const volume, atmosphere, perBar = 200.0, 1.01325, 0.02 // L, bar, L/s of free air per bar absolute
	p := 7.0 + atmosphere
	const steps, dt = 400000, 0.001
	for range steps {
		mid := p - dt/2*perBar*p*atmosphere/volume
		p -= dt * perBar * mid * atmosphere / volume
	}
	r, err := Leakdown(LeakdownInput{VolumeL: volume, StartBar: 7, EndBar: p - atmosphere, Seconds: steps * dt})
	if err != nil {
		t.Fatal(err)
	}
	if want := perBar * (7 + atmosphere) * 60; math.Abs(r.LeakLMinAtStart/want-1) > 1e-6 {
		t.Errorf("%v L/min at the start, want %v", r.LeakLMinAtStart, want)
	}
	if want := volume / (perBar * atmosphere); math.Abs(*r.TimeConstantS/want-1) > 1e-6 {
		t.Errorf("time constant %v, want %v", *r.TimeConstantS, want)
	}
}

func TestLeakdownWithoutFall(t *testing.T) {
	r, err := Leakdown(LeakdownInput{VolumeL: 10, StartBar: 6, EndBar: 6, Seconds: 60})
	if err != nil || r.LeakLMinMean != 0 || r.LeakLMinAtStart != 0 || r.TimeConstantS != nil || !r.Choked {
		t.Errorf("%+v, %v", r, err)
	}
	r, err = Leakdown(LeakdownInput{VolumeL: 10, StartBar: 6, EndBar: 0, Seconds: 60})
	if err != nil || r.Choked || *r.TimeConstantS <= 0 {
		t.Errorf("to nothing: %+v, %v", r, err)
	}
}

// ISO 6358-1's ellipse, C = 1, b = 0.3, p1 = 7 bar absolute, at 20 °C: derived
// from the formula; choked (7 L/s) and no drop (0) are exact.
func TestFlow(t *testing.T) {
	for _, c := range []struct {
		p2, want float64
		choked   bool
	}{{1, 7, true}, {2.1, 7, true}, {4, 6.4523, false}, {6, 4.2378, false}, {6.5, 3.0806, false}, {7, 0, false}} {
		r, err := Flow(FlowInput{CLSBar: 1, B: 0.3, P1Bar: 7, P2Bar: c.p2, TemperatureC: 20})
		if err != nil || !near(r.FlowLS, c.want, 1e-4) || r.Choked != c.choked {
			t.Errorf("p2 %v: %+v, %v, want %v", c.p2, r, err, c.want)
		}
	}
	warm, err := Flow(FlowInput{CLSBar: 1, B: 0.3, P1Bar: 7, P2Bar: 1, TemperatureC: 4*293.15 - 273.15})
	if err != nil || !near(warm.FlowLS, 3.5, 1e-12) {
		t.Errorf("at four times the temperature: %+v, %v", warm, err)
	}
}

// A hole of 1 mm as an ideal nozzle leaks 1.08, 1.234, 1.388 L/s of free air
// at 6, 7, 8 bar (derived: gamma 1.4, R 287.05, 20 °C, 1.2041 kg/m³). Its C
// follows from the same: (pi/4 1 mm²) 0.040418 sqrt(K) s/m / sqrt(293.15 K)
// per density. So choked flow scales as the nozzle's does.
func TestHoleOfOneMillimetre(t *testing.T) {
	mass := math.Pi / 4 * 1e-6 * 1e5 * math.Sqrt(1.4/287.05/293.15) * math.Pow(1/1.2, 3) // kg/s per bar
	c := mass / 1.2041 * 1000
	for bar, want := range map[float64]float64{6: 1.08, 7: 1.234, 8: 1.388} {
		r, err := Flow(FlowInput{CLSBar: c, B: 0.528, P1Bar: bar + 1.01325, P2Bar: 1.01325, TemperatureC: 20})
		if err != nil || !near(r.FlowLS, want, 0.002) || !r.Choked {
			t.Errorf("%v bar: %+v, %v", bar, r, err)
		}
	}
	if !near(chokedRatio, math.Pow(1.2, 3.5), 1e-15) {
		t.Errorf("1.2^3.5 is %v", math.Pow(1.2, 3.5))
	}
}

// US DOE, Compressed Air Tip Sheet 3, leakage through well-formed holes (from
// memory), ft3/min: the ideal choked nozzle is within 7 % of every cell (its
// factor 0.95 to 0.98, once 0.937), so it is guidance, not an exact oracle.
func TestHolesOfTipSheet(t *testing.T) {
	const psi = 0.06894757293168361
	holes := []float64{1. / 64, 1. / 32, 1. / 16, 1. / 8, 1. / 4, 3. / 8}
	for psig, row := range map[float64][]float64{
		70: {0.29, 1.16, 4.66, 18.62, 74.4, 167.8}, 80: {0.32, 1.26, 5.24, 20.76, 83.1, 187.2},
		90: {0.36, 1.46, 5.72, 23.1, 92, 206.6}, 100: {0.4, 1.55, 6.31, 25.22, 100.9, 227}, 125: {0.48, 1.94, 7.66, 30.65, 122.2, 275.5},
	} {
		for i, inch := range holes {
			mm2 := math.Pi / 4 * inch * inch * 25.4 * 25.4
			mass := mm2 * 1e-6 * 1e5 * math.Sqrt(1.4/287.05/293.15) * math.Pow(1/1.2, 3)
			r, err := Flow(FlowInput{CLSBar: mass / 1.2041 * 1000, B: 0.528, P1Bar: (psig + 14.7) * psi, P2Bar: 14.7 * psi, TemperatureC: 20})
			if err != nil {
				t.Fatal(err)
			}
			if ratio := row[i] / (r.FlowLS * 60 / 28.316846592); ratio < 0.92 || ratio > 1.02 {
				t.Errorf("%v psig, hole %v in: table over nozzle %v", psig, inch, ratio)
			}
		}
	}
}

// US DOE Sourcebook's T x 100/(T + t), 7.5 of 30 minutes in an article's
// worked example.
func TestLoad(t *testing.T) {
	r, err := Load(LoadInput{LoadS: 450, UnloadS: 1350})
	if err != nil || r.LeakPercent != 25 || r.LeakLS != nil {
		t.Errorf("%+v, %v", r, err)
	}
	r, err = Load(LoadInput{LoadS: 450, UnloadS: 1350, CapacityLS: ptr(8)})
	if err != nil || *r.LeakLS != 2 {
		t.Errorf("%+v, %v", r, err)
	}
}

func TestRefused(t *testing.T) {
	good := CylinderInput{BoreMM: 50, RodMM: 20, StrokeMM: 300, PressureBar: 6}
	ram := func(change func(*CylinderInput)) error {
		in := good
		change(&in)
		_, err := Cylinder(in)
		return err
	}
	fall := func(change func(*LeakdownInput)) error {
		in := LeakdownInput{VolumeL: 100, StartBar: 7, EndBar: 6, Seconds: 60}
		change(&in)
		_, err := Leakdown(in)
		return err
	}
	flow := func(change func(*FlowInput)) error {
		in := FlowInput{CLSBar: 1, B: 0.3, P1Bar: 7, P2Bar: 1, TemperatureC: 20}
		change(&in)
		_, err := Flow(in)
		return err
	}
	load := func(in LoadInput) error { _, err := Load(in); return err }
	nan, inf := math.NaN(), math.Inf(1)
	for i, c := range []struct {
		err   error
		field string
	}{
		{ram(func(in *CylinderInput) { in.BoreMM = 0 }), "bore_mm"},
		{ram(func(in *CylinderInput) { in.BoreMM = nan }), "bore_mm"},
		{ram(func(in *CylinderInput) { in.BoreMM = 1e200 }), "bore_mm"},
		{ram(func(in *CylinderInput) { in.RodMM = -1 }), "rod_mm"},
		{ram(func(in *CylinderInput) { in.RodMM = 50 }), "rod_mm"},
		{ram(func(in *CylinderInput) { in.StrokeMM = 0 }), "stroke_mm"},
		{ram(func(in *CylinderInput) { in.PressureBar = -1 }), "pressure_bar"},
		{ram(func(in *CylinderInput) { in.Efficiency = ptr(1.1) }), "efficiency"},
		{ram(func(in *CylinderInput) { in.AtmosphereBar = ptr(0) }), "atmosphere_bar"},
		{fall(func(in *LeakdownInput) { in.VolumeL = 0 }), "volume_l"},
		{fall(func(in *LeakdownInput) { in.VolumeL = 1e308 }), "volume_l"},
		{fall(func(in *LeakdownInput) { in.StartBar = inf }), "start_bar"},
		{fall(func(in *LeakdownInput) { in.EndBar = -1 }), "end_bar"},
		{fall(func(in *LeakdownInput) { in.EndBar = 7.1 }), "end_bar"},
		{fall(func(in *LeakdownInput) { in.Seconds = 0 }), "seconds"},
		{fall(func(in *LeakdownInput) { in.Seconds = 1e308 }), "seconds"},
		{fall(func(in *LeakdownInput) { in.AtmosphereBar = ptr(nan) }), "atmosphere_bar"},
		{flow(func(in *FlowInput) { in.CLSBar = 0 }), "c_l_s_bar"},
		{flow(func(in *FlowInput) { in.CLSBar = 1e308 }), "c_l_s_bar"},
		{flow(func(in *FlowInput) { in.B = 1 }), "b"},
		{flow(func(in *FlowInput) { in.P1Bar = 0 }), "p1_bar"},
		{flow(func(in *FlowInput) { in.P2Bar = -1 }), "p2_bar"},
		{flow(func(in *FlowInput) { in.P2Bar = 8 }), "p2_bar"},
		{flow(func(in *FlowInput) { in.TemperatureC = -273.15 }), "temperature_c"},
		{load(LoadInput{LoadS: -1}), "load_s"},
		{load(LoadInput{UnloadS: nan}), "unload_s"},
		{load(LoadInput{}), "load_s"},
		{load(LoadInput{LoadS: math.MaxFloat64, UnloadS: math.MaxFloat64}), "load_s"},
		{load(LoadInput{LoadS: 1, CapacityLS: ptr(0)}), "capacity_l_s"},
	} {
		var p *input.Problem
		if !errors.As(c.err, &p) || p.Field != c.field || !strings.HasPrefix(p.Message, "must ") {
			t.Errorf("case %d: %v, want a problem of %s", i, c.err, c.field)
		}
	}
}

// Less pressure behind never means less flow, and the ellipse meets the choked
// line without a step.
func TestFlowFallsWithBackPressure(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := FlowInput{
			CLSBar: rapid.Float64Range(0.01, 100).Draw(t, "c"), B: rapid.Float64Range(0, 0.9).Draw(t, "b"),
			P1Bar: rapid.Float64Range(0.1, 20).Draw(t, "p1"), TemperatureC: rapid.Float64Range(-30, 60).Draw(t, "t"),
		}
		flow := func(ratio float64) float64 {
			in.P2Bar = ratio * in.P1Bar
			r, err := Flow(in)
			if err != nil {
				t.Fatal(err)
			}
			return r.FlowLS
		}
		a, b := rapid.Float64Range(0, 1).Draw(t, "a"), rapid.Float64Range(0, 1).Draw(t, "b")
		if low, high := flow(min(a, b)), flow(max(a, b)); high > low*(1+1e-12) {
			t.Fatalf("%v at %v, %v at %v", low, min(a, b), high, max(a, b))
		}
		if choked, beyond := flow(in.B), flow(in.B+1e-9); math.Abs(beyond/choked-1) > 1e-9 {
			t.Fatalf("a step at b: %v, %v", choked, beyond)
		}
	})
}
