package reference

import (
	"fmt"
	"math"
	"testing"
)

func convert(t *testing.T, value float64, from, to string) float64 {
	t.Helper()
	return ask(t, "unit.convert", map[string]any{"value": value, "from": from, "to": to}).num("value")
}

func init() {
	checks["unit-pressure-sp811"] = func(t *testing.T, c published) []row {
		var in struct{ Units []string }
		var want struct{ Pa []float64 }
		c.in(t, &in)
		c.want(t, &want)
		ours := map[string]string{"psi": "psi", "bar": "bar", "atm": "atm", "inHg conventional": "inHg"}
		var rows []row
		for i, u := range in.Units {
			if ours[u] != "" { // of the others there is none in the list
				rows = append(rows, rel("1 "+u+" in Pa", want.Pa[i], convert(t, 1, ours[u], "Pa"), 1e-6))
			}
		}
		return append(rows, near("1 psi in Pa, exact", 6894.757293168361, convert(t, 1, "psi", "Pa"), 1e-9))
	}
	checks["unit-other-sp811"] = func(t *testing.T, c published) []row {
		var in struct{ Units []string }
		var want struct{ SI []float64 }
		c.in(t, &in)
		c.want(t, &want)
		ours := map[string][2]string{"ft": {"ft", "m"}, "in": {"in", "m"}, "lbf": {"lbf", "N"}}
		var rows []row
		for i, u := range in.Units {
			if pair, ok := ours[u]; ok {
				rows = append(rows, rel("1 "+u+" in "+pair[1], want.SI[i], convert(t, 1, pair[0], pair[1]), 1e-6))
			}
		}
		return rows
	}
	checks["unit-temperature"] = func(t *testing.T, c published) []row {
		var in struct{ F []float64 }
		var want struct{ C, K []float64 }
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, f := range in.F {
			rows = append(rows, near(fmt.Sprintf("%g F in C", f), want.C[i], convert(t, f, "F", "C"), 1e-9), near(fmt.Sprintf("%g F in K", f), want.K[i], convert(t, f, "F", "K"), 1e-9))
		}
		return rows
	}
	checks["unit-gauge-absolute"] = func(t *testing.T, c published) []row {
		var in struct {
			Gauge []float64 `json:"gauge_bar"`
			Atm   float64   `json:"atm_bar"`
		}
		var want struct {
			Psi []float64 `json:"abs_psi"`
		}
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, g := range in.Gauge {
			rows = append(rows, near(fmt.Sprintf("%g bar gauge in psi absolute", g), want.Psi[i], convert(t, g+in.Atm, "bar", "psi"), 1e-4).because("derived, not published"))
		}
		return rows
	}
	checks["air-consumption-measur-da"] = func(t *testing.T, c published) []row {
		var in []struct {
			Bore   float64 `json:"bore_in"`
			Stroke float64 `json:"stroke_in"`
			Rod    float64 `json:"rod_in"`
			Psig   float64
			CPM    float64
		}
		var want []struct{ SCFM float64 }
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, x := range in {
			a := ask(t, "air.cylinder", map[string]any{
				"bore_mm": x.Bore * 25.4, "rod_mm": x.Rod * 25.4, "stroke_mm": x.Stroke * 25.4,
				"pressure_bar": convert(t, x.Psig, "psi", "bar"), "atmosphere_bar": convert(t, 14.7, "psi", "bar"),
			})
			scfm := convert(t, a.num("free_air_l"), "L", "ft3") * x.CPM
			rows = append(rows, rel(fmt.Sprintf("free air of row %d, cu ft a minute", i+1), want[i].SCFM, scfm, 1e-3).because("published with 0.785 for pi/4"))
			rows = append(rows, rel(fmt.Sprintf("the same with 0.785, row %d", i+1), want[i].SCFM, scfm*0.785/(math.Pi/4), 1e-9))
		}
		return rows
	}
	checks["air-consumption-metric"] = func(t *testing.T, c published) []row {
		var in struct {
			Bore   float64 `json:"bore_mm"`
			Rod    float64 `json:"rod_mm"`
			Stroke float64 `json:"stroke_mm"`
			Bar    float64 `json:"bar_g"`
		}
		var want struct {
			L float64 `json:"free_litres_per_cycle"`
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "air.cylinder", map[string]any{"bore_mm": in.Bore, "rod_mm": in.Rod, "stroke_mm": in.Stroke, "pressure_bar": in.Bar})
		return []row{near("free air of a double stroke, L", want.L, a.num("free_air_l"), 1e-3).because("derived, not published")}
	}
	checks["leak-orifice-table-doe"] = func(t *testing.T, c published) []row {
		var in struct {
			Orifice []string `json:"orifice_in"`
			Psig    []float64
		}
		var want struct{ CFM map[string][]float64 }
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for _, p := range in.Psig {
			for i, o := range in.Orifice {
				var n, d float64
				fmt.Sscanf(o, "%g/%g", &n, &d)
				published := want.CFM[fmt.Sprint(p)][i]
				ideal := nozzle(t, n/d*25.4, convert(t, p+14.7, "psi", "bar"), 21.1) // 70 F
				// Table / ideal is 0.95 to 0.98 in every cell but one, as the case notes: a well-rounded hole of 0.97.
				within := 0.02*published + 0.006
				if o == "1/32" && p == 80 {
					within = 0.07 * published
				}
				cfm := convert(t, ideal*60*0.97, "L", "ft3")
				rows = append(rows, near(fmt.Sprintf("%s in at %g psig, cu ft a minute", o, p), published, cfm, within).because("ideal flow times the table's own 0.97"))
			}
		}
		return rows
	}
	checks["leak-1mm"] = func(t *testing.T, c published) []row {
		var in struct {
			D   float64   `json:"d_mm"`
			Bar []float64 `json:"bar_g"`
			T   float64   `json:"T_K"`
		}
		var want struct {
			L []float64 `json:"litres_per_s_free"`
		}
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, p := range in.Bar {
			rows = append(rows, near(fmt.Sprintf("at %g bar, L/s", p), want.L[i], nozzle(t, in.D, p+1.01325, in.T-273.15), 0.002).because("derived, not published"))
		}
		return rows
	}
	checks["leak-percent-load-unload"] = func(t *testing.T, c published) []row {
		var in struct {
			On  float64 `json:"T_on_min"`
			Off float64 `json:"t_off_min"`
		}
		var want struct {
			P float64 `json:"leak_percent"`
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "air.load", map[string]any{"load_s": in.On * 60, "unload_s": in.Off * 60})
		return []row{near("leak, percent", want.P, a.num("leak_percent"), 1e-9)}
	}
	checks["leak-decay-doe"] = func(t *testing.T, c published) []row {
		var in struct {
			V      float64 `json:"V_ft3"`
			P1     float64 `json:"P1_psig"`
			P2     float64 `json:"P2_psig"`
			Min    float64 `json:"T_min"`
			Factor float64
		}
		var want struct {
			CFM float64 `json:"cfm_free"`
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "air.leakdown", map[string]any{
			"volume_l": convert(t, in.V, "ft3", "L"), "start_bar": convert(t, in.P1, "psi", "bar"), "end_bar": convert(t, in.P2, "psi", "bar"),
			"seconds": in.Min * 60, "atmosphere_bar": convert(t, 14.7, "psi", "bar"),
		})
		mean := convert(t, a.num("leak_l_min_mean"), "L", "ft3")
		start := convert(t, a.num("leak_l_min_at_start"), "L", "ft3")
		p1, p2 := in.P1+14.7, in.P2+14.7
		return []row{
			rel("mean leak times the factor 1.25, cu ft a minute", want.CFM, mean*in.Factor, 1e-4),
			rel("at the start over mean, exact", p1*math.Log(p1/p2)/(p1-p2), start/mean, 1e-12).because("1.313 here and not 1.25: the sourcebook's factor is a rounding"),
		}
	}
	checks["ram-thrust-iso15552"] = func(t *testing.T, c published) []row {
		var in struct {
			Bore []float64 `json:"bore_mm"`
			Rod  []float64 `json:"rod_mm"`
			Bar  float64   `json:"bar_g"`
		}
		var want struct {
			Push []float64 `json:"push_N"`
			Pull []float64 `json:"pull_N"`
		}
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i := range in.Bore {
			a := ask(t, "air.cylinder", map[string]any{"bore_mm": in.Bore[i], "rod_mm": in.Rod[i], "stroke_mm": 100, "pressure_bar": in.Bar})
			rows = append(rows, near(fmt.Sprintf("push of %g mm, N", in.Bore[i]), want.Push[i], a.num("push_n"), 0.5), near(fmt.Sprintf("pull of %g mm, N", in.Bore[i]), want.Pull[i], a.num("pull_n"), 0.5))
		}
		return rows
	}
	checks["flow-iso6358-subsonic"] = func(t *testing.T, c published) []row {
		var in struct {
			C  float64   `json:"C_dm3_s_bar"`
			B  float64   `json:"b"`
			P1 float64   `json:"p1_bar_abs"`
			P2 []float64 `json:"p2_bar_abs"`
		}
		var want struct {
			Q []float64 `json:"dm3_per_s_ANR"`
		}
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, p2 := range in.P2 {
			a := ask(t, "air.flow", map[string]any{"c_l_s_bar": in.C, "b": in.B, "p1_bar": in.P1, "p2_bar": p2, "temperature_c": 20})
			rows = append(rows, near(fmt.Sprintf("flow to %g bar, L/s", p2), want.Q[i], a.num("flow_l_s"), 1e-4).because("derived; both ends exact"))
		}
		return rows
	}
	checks["excess-gain-guideline"] = func(t *testing.T, c published) []row {
		var want struct {
			Gain []float64 `json:"required_excess_gain"`
		}
		c.want(t, &want)
		var rows []row
		for i, dirt := range []string{"clean", "slight", "moderate", "high"} { // the design's fifth word, low, stands between
			a := ask(t, "beam.gain", map[string]any{"gain_at_m": 1, "gain": 100, "at_m": 1, "dirt": dirt})
			rows = append(rows, near("needed when "+dirt, want.Gain[i], a.num("needed"), 0))
		}
		return rows
	}
	checks["radio-fspl-p525"] = func(t *testing.T, c published) []row {
		var in []struct {
			F float64 `json:"f_MHz"`
			D float64 `json:"d_km"`
		}
		var want []struct {
			L float64 `json:"Lbf_dB"`
		}
		c.in(t, &in)
		c.want(t, &want)
		var rows []row
		for i, x := range in {
			if x.F < 1 {
				continue // far below radio: refused, as the case notes it should be
			}
			a := ask(t, "radio.free_space", map[string]any{"mhz": x.F, "km": x.D})
			rows = append(rows, near(fmt.Sprintf("%g MHz over %g km, dB", x.F, x.D), want[i].L, a.num("loss_db"), 0.06).because("computed from the recommendation's rounded 32.4; exact 32.4478"))
		}
		return rows
	}
}

// nozzle is the ideal choked flow through a round hole, in litres a second of
// free air (1.01325 bar, 20 C): by air.flow, with the sonic conductance that an
// ideal hole has, C = A sqrt(gamma/(R T0)) (2/(gamma+1))^((gamma+1)/(2(gamma-1))) / density(ANR).
func nozzle(t *testing.T, mm, bar, celsius float64) float64 {
	t.Helper()
	area := math.Pi / 4 * mm * mm * 1e-6
	const gamma, r, density = 1.4, 287.05, 1.2041
	mass := area * 1e5 * math.Sqrt(gamma/(r*293.15)) * math.Pow(2/(gamma+1), (gamma+1)/(2*(gamma-1))) // kg/s at 1 bar and 20 C
	conductance := mass / density * 1000
	a := ask(t, "air.flow", map[string]any{"c_l_s_bar": conductance, "b": 0.528, "p1_bar": bar, "p2_bar": 1.01325, "temperature_c": celsius})
	if a["choked"] != true {
		t.Fatalf("%g bar is not choked", bar)
	}
	return a.num("flow_l_s")
}
