package chart

import "gatewright/schema/input/refuse"

// Individuals judges each reading alone: beyond Mean plus or minus Width times
// Sigma it signals.
type Individuals struct {
	Mean, Sigma, Width float64
}

// Step takes a reading and says 1 when it is above the upper limit, -1 when it
// is below the lower one, else 0. A reading at a limit is within.
func (c *Individuals) Step(v float64) (signal int) {
	low, high := c.Limits()
	return beyond(v, low, high)
}

// Limits are those that a reading must pass to signal.
func (c *Individuals) Limits() (low, high float64) {
	return c.Mean - float64(c.Width*c.Sigma), c.Mean + float64(c.Width*c.Sigma)
}

func beyond(v, low, high float64) int {
	switch {
	case v > high:
		return 1
	case v < low:
		return -1
	}
	return 0
}

// IndividualsInput are readings in the order of time.
type IndividualsInput struct {
	Values []float64 `json:"values" doc:"the readings, in the order of time" len:"2" min:"-1e100" max:"1e100"`
}

// IndividualsResult is a chart of individual readings.
type IndividualsResult struct {
	Mean            float64 `json:"mean" doc:"mean of the readings"`
	MeanMovingRange float64 `json:"mean_moving_range" doc:"mean difference of neighbours, without sign"`
	Sigma           float64 `json:"sigma" doc:"standard deviation that follows from it: mean_moving_range / 1.128"`
	Low             float64 `json:"low" doc:"lower limit, mean - 3 sigma"`
	High            float64 `json:"high" doc:"upper limit, mean + 3 sigma"`
	Beyond          []int   `json:"beyond" doc:"which readings are beyond a limit, counted from 1"`
}

// individualsWidth of the classical chart, in standard deviations.
const individualsWidth = 3

// IndividualsChart sets limits at three standard deviations about the mean of
// at least two readings, the standard deviation being the mean moving range
// divided by 1.128, and says which of the same readings are beyond.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.
func IndividualsChart(in IndividualsInput) (IndividualsResult, error) {
	if err := numbers("values", in.Values, 2); err != nil {
		return IndividualsResult{}, err
	}
	mean, meanRange, sigma := Baseline(in.Values)
	c := Individuals{Mean: mean, Sigma: sigma, Width: individualsWidth}
	low, high := c.Limits()
	if !finite(low) || !finite(high) {
		return IndividualsResult{}, refuse.Bad("values", "must not spread so far: their sum cannot be written as a number")
	}
	out := IndividualsResult{Mean: mean, MeanMovingRange: meanRange, Sigma: sigma, Low: low, High: high, Beyond: []int{}}
	for i, v := range in.Values {
		if c.Step(v) != 0 {
			out.Beyond = append(out.Beyond, i+1)
		}
	}
	return out, nil
}
