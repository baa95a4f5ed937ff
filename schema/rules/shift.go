package rules

import (
	"gatewright/schema/chart"
	"gatewright/schema/logbook"
)

// baseSize is how many values of a run say what it is like in order.
const baseSize = 20

// shift follows the values of one check: the base of the run at hand, then its
// charts.
type shift struct {
	track
	base          []float64
	judged        bool // the base is full, and something scatters
	target, sigma float64
	individuals   chart.Individuals
	ewma          chart.EWMA
	cusum         chart.CUSUM
}

// breaks begins a new run.
func (s *shift) breaks(b cut) {
	s.close(b.at, b.entry)
	s.base, s.judged = s.base[:0], false
}

// take looks at the next value.
func (s *shift) take(x *value) {
	v := x.f.value.Float()
	if len(s.base) < baseSize {
		s.base = append(s.base, v)
		if len(s.base) == baseSize {
			s.design(x.limits.U.Float())
		}
		return
	}
	if !s.judged {
		return
	}
	individuals, ewma, cusum := s.individuals.Step(v), s.ewma.Step(v), s.cusum.Step(v)
	signal := 0
	switch x.limits.Chart {
	case logbook.IndividualsChart:
		signal = individuals
	case logbook.EWMAChart:
		signal = ewma
	case logbook.CUSUMChart:
		signal = cusum
	}
	if signal == 0 {
		s.close(x.f.at, x.f.id)
		return
	}
	s.note(x.f.at, x.f.id)
	s.variant = "high"
	if signal < 0 {
		s.variant = "low"
	}
	s.params = sortParams([]Param{
		textParam("chart", string(x.limits.Chart)), microParam("sigma", rounded(s.sigma)),
		microParam("target", rounded(s.target)), textParam("unit", x.limits.Unit), microParam("value", x.f.value),
	})
}

// design makes the charts from the base.
func (s *shift) design(u float64) {
	mean, _, sigma := chart.Baseline(s.base)
	s.target, s.sigma = mean, max(sigma, u)
	if s.sigma == 0 {
		return
	}
	s.judged = true
	s.individuals = chart.DesignedIndividuals(s.target, s.sigma)
	s.ewma = chart.DesignedEWMA(s.target, s.sigma)
	s.cusum = chart.DesignedCUSUM(s.target, s.sigma)
}
