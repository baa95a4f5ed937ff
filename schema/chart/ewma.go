package chart

import (
	"gatewright/schema/input/refuse"
	"gatewright/schema/num"
)

// EWMA is an exponentially weighted moving average, which finds small lasting
// shifts: each reading moves it by Lambda of the way towards itself. It
// signals when it is further from Target than Width of its own standard
// deviations in the long run, Sigma sqrt(Lambda / (2 - Lambda)).
//
// Away is the state, the average less Target: 0 at the start. A signal does
// not reset it; set Away to 0 to start anew.
type EWMA struct {
	Target, Sigma, Lambda, Width float64
	Away                         float64
}

// Step takes a reading and says 1 when the average is above the upper limit,
// -1 when it is below the lower one, else 0.
func (c *EWMA) Step(v float64) (signal int) {
	c.Away = float64(c.Lambda*(v-c.Target)) + float64((1-c.Lambda)*c.Away)
	reach := c.reach()
	return beyond(c.Away, -reach, reach)
}

// Value is the average now.
func (c *EWMA) Value() float64 { return c.Target + c.Away }

// Limits are those that the average must pass to signal.
func (c *EWMA) Limits() (low, high float64) {
	reach := c.reach()
	return c.Target - reach, c.Target + reach
}

func (c *EWMA) reach() float64 {
	return float64(float64(c.Width*c.Sigma) * num.Sqrt(c.Lambda/(2-c.Lambda)))
}

// EWMAInput are readings in the order of time and what they are held against.
type EWMAInput struct {
	Values []float64 `json:"values" doc:"the readings, in the order of time" min:"-1e100" max:"1e100"`
	Target float64   `json:"target" doc:"where the readings should lie; the average starts there" min:"-1e100" max:"1e100"`
	Sigma  float64   `json:"sigma" doc:"standard deviation of a reading" above:"0" max:"1e100"`
	Lambda float64   `json:"lambda" doc:"weight of the newest reading" above:"0" max:"1"`
	Width  float64   `json:"width" doc:"distance of the limits, in standard deviations of the average" above:"0" max:"1000"`
}

// EWMAResult is the chart of the averages.
type EWMAResult struct {
	EWMA        []float64 `json:"ewma" doc:"the average after each reading"`
	Low         float64   `json:"low" doc:"lower limit in the long run"`
	High        float64   `json:"high" doc:"upper limit in the long run"`
	Beyond      []int     `json:"beyond" doc:"after which readings the average is beyond a limit, counted from 1"`
	LowAt       []float64 `json:"low_at" doc:"lower limit after each reading, exact from the first on"`
	HighAt      []float64 `json:"high_at" doc:"upper limit after each reading, exact from the first on"`
	BeyondExact []int     `json:"beyond_exact" doc:"after which readings the average is beyond its exact limits, counted from 1"`
}

// EWMAChart averages the readings, z_i = lambda x_i + (1 - lambda) z_(i-1)
// from z_0 = target, and holds the average against
//
//	target ± width sigma sqrt(lambda / (2 - lambda))
//
// low, high and beyond are by these limits of the long run. The first averages
// scatter less; low_at, high_at and beyond_exact multiply the variance by
// 1 - (1 - lambda)^(2i), which finds an early shift sooner and gives more
// false alarms among the first readings.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4;
// Lucas and Saccucci, Technometrics 32 (1990) 1-12.
func EWMAChart(in EWMAInput) (EWMAResult, error) {
	if err := numbers("values", in.Values, 1); err != nil {
		return EWMAResult{}, err
	}
	switch {
	case !finite(in.Target):
		return EWMAResult{}, refuse.Bad("target", "must be a finite number")
	case !(in.Sigma > 0) || !finite(in.Sigma):
		return EWMAResult{}, refuse.Bad("sigma", "must be above 0: readings without scatter cannot be charted")
	case !(in.Lambda > 0 && in.Lambda <= 1):
		return EWMAResult{}, refuse.Bad("lambda", "must be above 0 and at most 1")
	case !(in.Width > 0) || !finite(in.Width):
		return EWMAResult{}, refuse.Bad("width", "must be above 0")
	}
	c := EWMA{Target: in.Target, Sigma: in.Sigma, Lambda: in.Lambda, Width: in.Width}
	n := len(in.Values)
	out := EWMAResult{EWMA: make([]float64, n), LowAt: make([]float64, n), HighAt: make([]float64, n), Beyond: []int{}, BeyondExact: []int{}}
	out.Low, out.High = c.Limits()
	if !finite(out.Low) || !finite(out.High) {
		return EWMAResult{}, refuse.Bad("sigma", "must be smaller: the limits cannot be written as numbers")
	}
	left := 1.0 // (1 - lambda)^(2i)
	for i, v := range in.Values {
		signal := c.Step(v)
		out.EWMA[i] = c.Value()
		if !finite(out.EWMA[i]) {
			return EWMAResult{}, refuse.Bad("values", "must be nearer to the target: an average cannot be written as a number")
		}
		if signal != 0 {
			out.Beyond = append(out.Beyond, i+1)
		}
		left = float64(left * float64((1-c.Lambda)*(1-c.Lambda)))
		reach := float64(c.reach() * num.Sqrt(1-left))
		out.LowAt[i], out.HighAt[i] = c.Target-reach, c.Target+reach
		if beyond(c.Away, -reach, reach) != 0 {
			out.BeyondExact = append(out.BeyondExact, i+1)
		}
	}
	return out, nil
}
