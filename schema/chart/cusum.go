package chart

import "gatewright/schema/input/refuse"

// CUSUM is the tabular cumulative sum, which finds lasting shifts: High adds
// up what readings are above Target + K, Low what they are below Target - K,
// neither falling under 0. K is half the shift that is to be found and H where
// it signals, both in units of the readings.
//
// High and Low are the state: 0 at the start. A signal does not reset them;
// set both to 0 to start anew.
type CUSUM struct {
	Target, K, H float64
	High, Low    float64
}

// Step takes a reading and says 1 when High is above H, -1 when Low is, else 0.
// Should both be, the greater of the two decides.
func (c *CUSUM) Step(v float64) (signal int) {
	away := v - c.Target
	c.High = max(0, c.High+away-c.K)
	c.Low = max(0, c.Low-away-c.K)
	switch {
	case c.High > c.H && c.High >= c.Low:
		return 1
	case c.Low > c.H:
		return -1
	}
	return 0
}

// CUSUMInput are readings in the order of time and what they are held against.
type CUSUMInput struct {
	Values []float64 `json:"values" doc:"the readings, in the order of time" min:"-1e100" max:"1e100"`
	Target float64   `json:"target" doc:"where the readings should lie" min:"-1e100" max:"1e100"`
	K      float64   `json:"k" doc:"slack of each reading, half the shift that is to be found, in units of the readings" min:"0" max:"1e100"`
	H      float64   `json:"h" doc:"sum beyond which it signals, in units of the readings" above:"0" max:"1e100"`
}

// CUSUMResult are the sums after each reading.
type CUSUMResult struct {
	High   []float64 `json:"high" doc:"sum of what the readings were above target + k, never below 0"`
	Low    []float64 `json:"low" doc:"sum of what the readings were below target - k, never below 0"`
	Signal int       `json:"signal" doc:"the first reading after which a sum is above h, counted from 1; 0 when there is none"`
}

// CUSUMChart adds up, from high_0 = low_0 = 0,
//
//	high_i = max(0, high_(i-1) + x_i - target - k)
//	low_i  = max(0, low_(i-1) - (x_i - target) - k)
//
// to the last reading, and names the first after which either is above h.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3;
// Page, Biometrika 41 (1954) 100-115.
func CUSUMChart(in CUSUMInput) (CUSUMResult, error) {
	if err := numbers("values", in.Values, 1); err != nil {
		return CUSUMResult{}, err
	}
	switch {
	case !finite(in.Target):
		return CUSUMResult{}, refuse.Bad("target", "must be a finite number")
	case !(in.K >= 0) || !finite(in.K):
		return CUSUMResult{}, refuse.Bad("k", "must be 0 or above")
	case !(in.H > 0) || !finite(in.H):
		return CUSUMResult{}, refuse.Bad("h", "must be above 0")
	}
	c := CUSUM{Target: in.Target, K: in.K, H: in.H}
	out := CUSUMResult{High: make([]float64, len(in.Values)), Low: make([]float64, len(in.Values))}
	for i, v := range in.Values {
		signal := c.Step(v)
		out.High[i], out.Low[i] = c.High, c.Low
		if !finite(c.High) || !finite(c.Low) {
			return CUSUMResult{}, refuse.Bad("values", "must be nearer to the target: a sum cannot be written as a number")
		}
		if signal != 0 && out.Signal == 0 {
			out.Signal = i + 1
		}
	}
	return out, nil
}
