package reference

import (
	"fmt"
	"math"
	"testing"
)

// checks compares each case by its id; elsewhere says where the others are.
var checks = map[string]func(*testing.T, published) []row{
	"spc-imr-nist": func(t *testing.T, c published) []row {
		var in struct{ Flowrate []float64 }
		var want struct {
			Mean         float64
			MRBar        float64 `json:"mr_bar"`
			UCL, LCL     float64
			OutOfControl []int `json:"out_of_control"`
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "chart.individuals", map[string]any{"values": in.Flowrate})
		return []row{
			near("mean", want.Mean, a.num("mean"), 1e-4), near("mean moving range", want.MRBar, a.num("mean_moving_range"), 1e-4),
			near("low", want.LCL, a.num("low"), 1e-4), near("high", want.UCL, a.num("high"), 1e-4),
			same("beyond", want.OutOfControl, wholes(a.nums("beyond"))),
		}
	},
	"spc-cusum-nist": func(t *testing.T, c published) []row {
		var in struct {
			GroupMeans   []float64 `json:"group_means"`
			Target, K, H float64
		}
		var want struct {
			High   []float64 `json:"S_hi"`
			Low    []float64 `json:"S_lo"`
			Signal int       `json:"signals_from_group"`
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "chart.cusum", map[string]any{"values": in.GroupMeans, "target": in.Target, "k": in.K, "h": in.H})
		rows := append(every("high", want.High, a.nums("high"), 0.006), every("low", want.Low, a.nums("low"), 0.006)...)
		return append(rows, same("signal", want.Signal, int(a.num("signal"))))
	},
	"spc-p-nist": func(t *testing.T, c published) []row {
		var in struct {
			Fraction []float64 `json:"fraction_defective"`
			Each     int       `json:"n_each"`
		}
		var want struct {
			Mean  float64 `json:"p_bar"`
			UCL   float64
			LCL   float64
			Above []int `json:"above_UCL"`
		}
		c.in(t, &in)
		c.want(t, &want)
		counts, sizes := []int{}, []int{}
		for _, f := range in.Fraction {
			counts, sizes = append(counts, int(math.Round(f*float64(in.Each)))), append(sizes, in.Each)
		}
		a := ask(t, "chart.proportion", map[string]any{"counts": counts, "sizes": sizes})
		return []row{
			near("mean", want.Mean, a.num("mean"), 1e-4), near("low", want.LCL, a.nums("low")[0], 1e-4),
			near("high", want.UCL, a.nums("high")[0], 1e-4), same("beyond", want.Above, wholes(a.nums("beyond"))),
		}
	},
	"prop-wilson-newcombe": func(t *testing.T, c published) []row { return intervals(t, c, "wilson") },
	"prop-exact-nist-4of20": func(t *testing.T, c published) []row {
		var in struct {
			R, N int
			Conf float64
		}
		var want struct{ Lower, Upper float64 }
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "rate.interval", map[string]any{"hits": in.R, "trials": in.N, "confidence": in.Conf, "method": "exact"})
		return []row{
			near("low", want.Lower, a.num("low"), 2e-6),
			near("high", want.Upper, a.num("high"), 2e-6).because("exact 0.4010281; the published figure is that of a spreadsheet"),
		}
	},
	"fisher-tea": func(t *testing.T, c published) []row {
		var in struct{ Table [2][2]int }
		var want struct {
			P float64 `json:"p_two_sided"`
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "rate.difference", map[string]any{
			"hits_a": in.Table[0][0], "trials_a": in.Table[0][0] + in.Table[0][1],
			"hits_b": in.Table[1][0], "trials_b": in.Table[1][0] + in.Table[1][1],
		})
		return []row{near("p, two-sided", want.P, a.num("p_value"), 5e-5), near("p as a fraction, 34/70", 34.0/70, a.num("p_value"), 1e-14)}
	},
	"lin-norris": func(t *testing.T, c published) []row {
		var in struct{ X, Y []float64 }
		var want struct {
			B0, B1 float64
			SD0    float64 `json:"sd_B0"`
			SD1    float64 `json:"sd_B1"`
			SD     float64 `json:"resid_sd"`
			R2     float64
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "trend.line", map[string]any{"x": in.X, "y": in.Y})
		return []row{
			rel("intercept", want.B0, a.num("intercept"), 1e-10), rel("slope", want.B1, a.num("slope"), 1e-10),
			rel("se of intercept", want.SD0, a.num("se_intercept"), 1e-10), rel("se of slope", want.SD1, a.num("se_slope"), 1e-10),
			rel("residual sd", want.SD, a.num("residual_sd"), 1e-10), rel("R squared", want.R2, a.num("r_squared"), 1e-10),
		}
	},
	"mk-sen-epa-sulfate": func(t *testing.T, c published) []row {
		var in struct{ X, Y []float64 }
		var want struct {
			S        float64
			VarS     float64 `json:"var_S"`
			Z        float64
			P        float64    `json:"p_two_sided"`
			Slope    float64    `json:"sen_slope"`
			Conover  float64    `json:"conover_intercept"`
			Interval [2]float64 `json:"slope_CI95_gilbert"`
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "trend.robust", map[string]any{"x": in.X, "y": in.Y, "confidence": 0.95})
		return []row{
			rel("s", want.S, a.num("s"), 0), rel("variance of s", want.VarS, a.num("var_s"), 1e-12), rel("z", want.Z, a.num("z"), 1e-6),
			rel("p, two-sided", want.P, a.num("p_value"), 1e-6), rel("slope", want.Slope, a.num("slope"), 1e-6),
			rel("intercept", want.Conover, a.num("intercept"), 1e-6),
			rel("slope, low", want.Interval[0], a.num("slope_low"), 1e-6), rel("slope, high", want.Interval[1], a.num("slope_high"), 1e-6),
		}
	},
	"inverse-prediction-cadmium": func(t *testing.T, c published) []row {
		var in struct {
			X, Y     []float64
			Observed float64 `json:"observed_y"`
			Coverage float64
		}
		var want struct {
			XHat         float64 `json:"x_hat"`
			Lower, Upper float64
			Slope        float64
			Intercept    float64
			S            float64
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "trend.crossing", map[string]any{"x": in.X, "y": in.Y, "limit": in.Observed, "confidence": in.Coverage})
		l := ask(t, "trend.line", map[string]any{"x": in.X, "y": in.Y})
		return []row{
			rel("crossing", want.XHat, a.num("at"), 1e-5), rel("low", want.Lower, a.num("low"), 1e-5), rel("high", want.Upper, a.num("high"), 1e-5),
			rel("slope", want.Slope, l.num("slope"), 1e-5), rel("intercept", want.Intercept, l.num("intercept"), 1e-5), rel("residual sd", want.S, l.num("residual_sd"), 1e-5),
		}
	},
	"conf-jcgm-upper-zener": func(t *testing.T, c published) []row {
		var in struct {
			Y, U float64
			T    float64 `json:"T_U"`
		}
		var want struct {
			P float64 `json:"p_c"`
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "tolerance.check", map[string]any{"value": in.Y, "u": in.U, "high": in.T})
		return []row{
			near("p within", want.P, a.num("p_within"), 0.005),
			near("p within, Phi(1.4) by tables", 0.919243, a.num("p_within"), 5e-7),
		}
	},
	"conf-jcgm-speed-guard": func(t *testing.T, c published) []row {
		var in struct {
			T   float64 `json:"T_U"`
			Rel float64 `json:"u_rel"`
			P   float64 `json:"p_required"`
		}
		var want struct{ Exact float64 }
		c.in(t, &in)
		c.want(t, &want)
		// The speed at which the limit is exceeded with the required probability: found by halving.
		low, high := in.T, 2*in.T
		for range 60 {
			v := (low + high) / 2
			a := ask(t, "tolerance.check", map[string]any{"value": v, "u": in.Rel * v, "high": in.T})
			if a.num("p_above") < in.P {
				low = v
			} else {
				high = v
			}
		}
		return []row{near("speed shown to be above", want.Exact, high, 5e-4), near("rounded up", 107, math.Ceil(high), 0)}
	},
	"conf-ilac-g8-risk": func(t *testing.T, c published) []row {
		var in []struct {
			W float64 `json:"w_over_U"`
			K float64
		}
		var want []float64
		c.in(t, &in)
		c.want(t, &want)
		exact := []float64{0.5, 0.04846, 0.02275, 0.00135, 9.866e-10} // of the normal distribution, by tables
		var rows []row
		for i, x := range in {
			// u = 1, U = k: a value w below the limit 0.
			a := ask(t, "tolerance.check", map[string]any{"value": -x.W * x.K, "u": 1, "high": 0})
			r := near(fmt.Sprintf("risk at w = %g U", x.W), exact[i], a.num("p_above"), 5e-4*exact[i]+5e-13)
			rows = append(rows, r.because(fmt.Sprintf("published as the bound %g", want[i])))
			// One bound is rounded below the exact value: 0.0013 would be 0.00135.
			rows = append(rows, same(fmt.Sprintf("within the published bound at %g U", x.W), true, a.num("p_above") <= want[i]+1e-15))
		}
		return rows
	},
	"conf-iso14253-default": func(t *testing.T, c published) []row {
		var in struct {
			U    float64 `json:"U_k2"`
			High float64 `json:"limit_upper"`
		}
		var want struct {
			G  float64 `json:"guard_factor_k"`
			At float64 `json:"acceptance_limit"`
		}
		c.in(t, &in)
		c.want(t, &want)
		a := ask(t, "tolerance.check", map[string]any{"value": 9, "u": in.U / 2, "high": in.High, "guard": want.G})
		byDefault := ask(t, "tolerance.check", map[string]any{"value": 9, "u": in.U / 2, "high": in.High})
		return []row{
			near("acceptance limit", want.At, a.num("guarded_high"), 0.005),
			near("acceptance limit by default", want.At, byDefault.num("guarded_high"), 0.005),
		}
	},
}

func intervals(t *testing.T, c published, method string) []row {
	var in []struct {
		R, N int
		Conf float64
	}
	var want []struct{ Lower, Upper float64 }
	c.in(t, &in)
	c.want(t, &want)
	var rows []row
	for i, x := range in {
		a := ask(t, "rate.interval", map[string]any{"hits": x.R, "trials": x.N, "confidence": x.Conf, "method": method})
		name := fmt.Sprintf("%d of %d", x.R, x.N)
		rows = append(rows, near(name+", low", want[i].Lower, a.num("low"), 5e-5), near(name+", high", want[i].Upper, a.num("high"), 5e-5))
	}
	return rows
}
