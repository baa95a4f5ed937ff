package chart

// The designed charts take target and sigma from Baseline of the first
// DesignedReadings readings. These are uncertain, and charts set up as the
// books say for known ones give false alarms sooner than the books say: half
// of them within 178 readings (individuals, 3 sigma), 131 (EWMA 0.2 and 2.962)
// or 128 (CUSUM 0.5 and 5) after the base. The widths here are the least, to
// two decimals, with which half of all charts, over all that chance may bring
// in base and readings, stay quiet for 300 readings or more while nothing
// changes. (Median of the farthest that 2,000,000 simulated charts went in 300
// readings, with its 95 % interval: individuals 3.1752, 3.1739 to 3.1767; EWMA
// 3.2870, 3.2854 to 3.2885; CUSUM 6.3091, 6.3029 to 6.3155.)
//
// Readings to the first signal, of normal readings that from the end of the
// base on are shifted by so many of their true standard deviations:
//
//	                                 0             1            2          3
//	individuals 3.18     median    307            41            6          2
//	                     mean     6198 ± 135     996 ± 47      53 ± 6    6.0 ± 0.9
//	EWMA 0.2, 3.29       median    307            11            4          3
//	                     mean     5872 ± 132      65 ± 11    4.55 ± 0.02 2.69 ± 0.01
//	CUSUM 0.5, 6.32      median    309            11            5          3
//	                     mean     6612 ± 143      55 ± 12    5.06 ± 0.02 3.16 ± 0.01
//
//	as the books say for known target and sigma:
//	individuals 3        median    178            27            4
//	                     mean     3409 ± 94      527 ± 33      27 ± 4
//	EWMA 0.2, 2.962      median    131             9            3
//	                     mean     1995 ± 70       20 ± 1     3.94 ± 0.01
//	CUSUM 0.5, 5         median    128             9            4
//	                     mean     2309 ± 77       16 ± 1     4.14 ± 0.01
//	CUSUM 0.5, 4         median     61             7
//	                     mean      675 ± 35     11.2 ± 0.2
//
// each from 20,000 runs cut off at 100,000 readings, ± its standard error. The
// means say little: a base that happens to scatter widely makes a chart that
// hardly ever signals. Of the designed charts still about 31 in 100 give a
// false alarm within the first 100 readings. Readings that depend on their
// neighbours, or are not normal, give more.
//
// With known target and sigma the average run lengths are, unshifted and
// shifted by 1: individuals 3, 370.4 and 43.9; EWMA 0.2 and 2.962, 500 and
// 10.5; EWMA 0.1 and 2.814, 500 and 10.3; CUSUM 0.5 and 5, 465 and 10.4; CUSUM
// 0.5 and 4, 168 and 8.38 (from memory: NIST/SEMATECH e-Handbook, section
// 6.3.2.3; Lucas and Crosier, Technometrics 24 (1982) 199-205; Lucas and
// Saccucci, Technometrics 32 (1990) 1-12; Montgomery, Introduction to
// Statistical Quality Control). The tests work them out anew by integral
// equations (Page; Crowder), the limit of Brook and Evans' Markov chains.
const (
	DesignedReadings         = 20   // that make the base
	DesignedIndividualsWidth = 3.18 // standard deviations
	DesignedLambda           = 0.2
	DesignedWidth            = 3.29 // standard deviations of the average
	DesignedK                = 0.5  // standard deviations: half of the shift looked for
	DesignedH                = 6.32 // standard deviations
)

// DesignedIndividuals is the chart of single readings for an estimated base.
func DesignedIndividuals(target, sigma float64) Individuals {
	return Individuals{Mean: target, Sigma: sigma, Width: DesignedIndividualsWidth}
}

// DesignedEWMA is the moving average for an estimated base.
func DesignedEWMA(target, sigma float64) EWMA {
	return EWMA{Target: target, Sigma: sigma, Lambda: DesignedLambda, Width: DesignedWidth}
}

// DesignedCUSUM is the tabular sum for an estimated base.
func DesignedCUSUM(target, sigma float64) CUSUM {
	return CUSUM{Target: target, K: float64(DesignedK * sigma), H: float64(DesignedH * sigma)}
}
