package chart

import (
	"strconv"

	"gatewright/schema/input/refuse"
	"gatewright/schema/num"
)

// ProportionInput are samples in the order of time: how many of how many.
type ProportionInput struct {
	Counts []int64 `json:"counts" doc:"how many of each sample had it" min:"0" max:"1000000000000"`
	Sizes  []int64 `json:"sizes" doc:"how many each sample held" same:"counts" min:"1" max:"1000000000000"`
}

// ProportionResult is a chart of proportions.
type ProportionResult struct {
	Mean   float64   `json:"mean" doc:"share over all samples together"`
	Low    []float64 `json:"low" doc:"lower limit for each sample, not below 0"`
	High   []float64 `json:"high" doc:"upper limit for each sample, not above 1"`
	Beyond []int     `json:"beyond" doc:"which samples are beyond a limit, counted from 1"`
}

// mostCounted keeps every count, and their sum over the longest list, exact.
const mostCounted = 1_000_000_000_000

// ProportionChart sets limits for each sample by its own size n,
//
//	mean ± 3 sqrt(mean (1 - mean) / n),  mean = Σ counts / Σ sizes
//
// cut off at 0 and 1. The limits lean on the normal distribution: where
// n mean or n (1 - mean) is below about 5 they are rough. Errors: a count above
// its size.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.3.2.
func ProportionChart(in ProportionInput) (ProportionResult, error) {
	switch {
	case len(in.Counts) == 0:
		return ProportionResult{}, refuse.Bad("counts", "must hold at least 1 number")
	case len(in.Sizes) != len(in.Counts):
		return ProportionResult{}, refuse.Bad("sizes", "must be as long as counts")
	}
	var hits, all float64 // whole numbers; beyond 2^53 they round
	for i, n := range in.Sizes {
		switch k := in.Counts[i]; {
		case n < 1 || n > mostCounted:
			return ProportionResult{}, refuse.Bad("sizes["+strconv.Itoa(i)+"]", "must be from 1 to 1000000000000")
		case k < 0 || k > n:
			return ProportionResult{}, refuse.Bad("counts["+strconv.Itoa(i)+"]", "must be from 0 to its size")
		}
		hits += float64(in.Counts[i])
		all += float64(n)
	}
	p := hits / all
	out := ProportionResult{Mean: p, Low: make([]float64, len(in.Sizes)), High: make([]float64, len(in.Sizes)), Beyond: []int{}}
	for i, n := range in.Sizes {
		reach := float64(3 * num.Sqrt(float64(p*((all-hits)/all))/float64(n)))
		out.Low[i], out.High[i] = max(0, p-reach), min(1, p+reach)
		if beyond(float64(in.Counts[i])/float64(n), out.Low[i], out.High[i]) != 0 {
			out.Beyond = append(out.Beyond, i+1)
		}
	}
	return out, nil
}
