package chart

// The charts below are designed for normal readings whose mean and standard
// deviation are known, so that a false alarm comes about once in 400 or 500
// readings while nothing has changed (average run lengths from the sources).
const (
	ewmaLambda = 0.1
	ewmaWidth  = 2.814 // 500 readings: Lucas and Saccucci (1990), table 3
	cusumK     = 0.5   // half a shift of one standard deviation
	cusumH     = 5     // 465 readings: Montgomery, Statistical Quality Control, table 9.3
)

// DesignedIndividuals is an individuals chart at three standard deviations: a
// false alarm in 370 readings, a shift of three standard deviations found at
// the second reading, one of one standard deviation only after 44.
func DesignedIndividuals(target, sigma float64) Individuals {
	return Individuals{Mean: target, Sigma: sigma, Width: individualsWidth}
}

// DesignedEWMA is a moving average of weight 0.1 with limits at 2.814 of its
// standard deviations: a false alarm in 500 readings, a shift of one standard
// deviation found after 10.
func DesignedEWMA(target, sigma float64) EWMA {
	return EWMA{Target: target, Sigma: sigma, Lambda: ewmaLambda, Width: ewmaWidth}
}

// DesignedCUSUM is a tabular sum with slack of half a standard deviation and a
// limit of five: a false alarm in 465 readings, a shift of one standard
// deviation found after 10.
func DesignedCUSUM(target, sigma float64) CUSUM {
	return CUSUM{Target: target, K: float64(cusumK * sigma), H: float64(cusumH * sigma)}
}
