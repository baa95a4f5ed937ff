package chart

import (
	"math/rand/v2"
	"testing"
)

// runLength is the mean number of readings until a signal, over many runs.
func runLength(runs int, shift float64, fresh func() func(v float64) int) float64 {
	r := rand.New(rand.NewPCG(1, 2))
	total := 0
	for range runs {
		step := fresh()
		for {
			total++
			if step(r.NormFloat64()+shift) != 0 {
				break
			}
		}
	}
	return float64(total) / float64(runs)
}

// The average run lengths that the designs state, within four standard errors
// of the simulation (a run length scatters about as much as its mean).
func TestDesignedRunLengths(t *testing.T) {
	for _, c := range []struct {
		name  string
		shift float64
		want  float64
		fresh func() func(v float64) int
	}{
		{"individuals", 0, 370.4, func() func(float64) int { c := DesignedIndividuals(0, 1); return c.Step }},
		{"individuals, shifted", 1, 43.9, func() func(float64) int { c := DesignedIndividuals(0, 1); return c.Step }},
		{"ewma", 0, 500, func() func(float64) int { c := DesignedEWMA(0, 1); return c.Step }},
		{"ewma, shifted", 1, 10.3, func() func(float64) int { c := DesignedEWMA(0, 1); return c.Step }},
		{"cusum", 0, 465, func() func(float64) int { c := DesignedCUSUM(0, 1); return c.Step }},
		{"cusum, shifted", 1, 10.4, func() func(float64) int { c := DesignedCUSUM(0, 1); return c.Step }},
	} {
		const runs = 2500
		got := runLength(runs, c.shift, c.fresh)
		within(t, c.name, got, c.want, 4*c.want/50)
	}
}
