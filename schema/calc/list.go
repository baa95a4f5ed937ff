package calc

import (
	"slices"
	"strings"

	"gatewright/schema/chart"
	"gatewright/schema/rates"
	"gatewright/schema/record"
	"gatewright/schema/tolerance"
	"gatewright/schema/trend"
)

// all is in the order of names.
var all = sorted([]Calculation{
	add("chart.cusum", "Cumulative sums of readings above and below a target, and where they signal a lasting shift",
		"NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3; Page (1954)", chart.CUSUMChart),
	add("chart.ewma", "Exponentially weighted moving average of readings with its limits",
		"NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; Lucas and Saccucci (1990)", chart.EWMAChart),
	add("chart.individuals", "Limits at three standard deviations for single readings, from their moving range",
		"NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2", chart.IndividualsChart),
	add("chart.proportion", "Limits at three standard deviations for shares, by the size of each sample",
		"NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2", chart.ProportionChart),
	add("rate.difference", "Difference of two rates with its hybrid score interval and Fisher's exact test",
		"Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10; Fisher (1935)", rates.Difference),
	add("rate.interval", "A rate with its score or exact interval",
		"Wilson (1927); Clopper and Pearson (1934); Newcombe, Statistics in Medicine 17 (1998) 857-872", rates.Interval),
	add("record.canonical", "A record's canonical JSON and its SHA-256, as signatures cover them",
		"RFC 8785 (JSON Canonicalization Scheme); FIPS 180-4", record.Canonical),
	add("tolerance.check", "Whether a measured value is within its limits, when the measurement is uncertain",
		"JCGM 106:2012; ISO 14253-1:2017", tolerance.Check),
	add("trend.crossing", "Where the line of least squares reaches a limit, and between where",
		"Draper and Smith, Applied Regression Analysis (1998), 3.2; Fieller (1954)", trend.Crossing),
	add("trend.line", "The line of least squares through readings, with standard errors",
		"Draper and Smith, Applied Regression Analysis (1998); tested on NIST's Statistical Reference Datasets", trend.Line),
	add("trend.robust", "A trend that odd readings do not move: Theil and Sen's slope, Mann and Kendall's test",
		"Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987); EPA 530/R-09-007 (2009), 17.3", trend.Robust),
})

func sorted(list []Calculation) []Calculation {
	slices.SortFunc(list, func(a, b Calculation) int { return strings.Compare(a.Name, b.Name) })
	return list
}
