package calc

import (
	"slices"
	"strings"

	"gatewright/schema/air"
	"gatewright/schema/beam"
	"gatewright/schema/chart"
	"gatewright/schema/radio"
	"gatewright/schema/rates"
	"gatewright/schema/reader"
	"gatewright/schema/record"
	"gatewright/schema/recur"
	"gatewright/schema/tag"
	"gatewright/schema/tolerance"
	"gatewright/schema/trend"
	"gatewright/schema/unit"
)

// all is in the order of names.
var all = sorted([]Calculation{
	add("air.cylinder", "Thrust of a ram both ways, and the air that a double stroke takes",
		"Areas and thrust as in catalogues of ISO 15552 rams; air as in the compressed-air tools of the US Department of Energy", air.Cylinder),
	add("air.flow", "Flow through a valve or hose by its sonic conductance and critical ratio",
		"ISO 6358-1:2013", air.Flow),
	add("air.leakdown", "Leak of an air system from how its pressure falls with all drawing off shut",
		"US DOE, Improving Compressed Air System Performance: A Sourcebook for Industry; gas law", air.Leakdown),
	add("air.load", "Leak of an air system from how long its compressor pumps when nothing draws",
		"US DOE, Improving Compressed Air System Performance: A Sourcebook for Industry", air.Load),
	add("beam.gain", "Whether a photocell's light is enough for its distance and dirt",
		"Use excess gain to choose an optical sensor, Instrumentation & Control (July 2018)", beam.Gain),
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
	add("due.next", "The next times of a calendar rule in a zone, with summer time right",
		"RFC 5545, recurrence rules; IANA time zone database", recur.Next),
	add("radio.fit", "How a radio link's level falls with distance, from levels measured on the site",
		"Log-distance path loss: T. S. Rappaport, Wireless Communications: Principles and Practice, 4.9", radio.Fit),
	add("radio.free_space", "Loss of a radio link with nothing in the way",
		"Recommendation ITU-R P.525", radio.FreeSpace),
	add("reader.zone", "Where and how long an antenna reaches a tag, and the probability of reading it",
		"Plane geometry; independent tries", reader.Zone),
	add("record.canonical", "A record's canonical JSON and its SHA-256, as signatures cover them",
		"RFC 8785 (JSON Canonicalization Scheme); FIPS 180-4", record.Canonical),
	add("tag.check", "What an animal's electronic tag says, and whether its code and checksum are right",
		"ISO 11784:1996, table 1; ISO 11785:1996, full duplex; ISO 3166-1", tag.Check),
	add("tolerance.check", "Whether a measured value is within its limits, when the measurement is uncertain",
		"JCGM 106:2012; ISO 14253-1:2017", tolerance.Check),
	add("trend.crossing", "Where the line of least squares reaches a limit, and between where",
		"Draper and Smith, Applied Regression Analysis (1998), 3.2; Fieller (1954)", trend.Crossing),
	add("trend.line", "The line of least squares through readings, with standard errors",
		"Draper and Smith, Applied Regression Analysis (1998); tested on NIST's Statistical Reference Datasets", trend.Line),
	add("trend.robust", "A trend that odd readings do not move: Theil and Sen's slope, Mann and Kendall's test",
		"Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987); EPA 530/R-09-007 (2009), 17.3", trend.Robust),
	add("unit.convert", "The same value in another unit of pressure, temperature, length, volume or force",
		"NIST Special Publication 811 (2008), Appendix B", unit.Convert),
})

func sorted(list []Calculation) []Calculation {
	slices.SortFunc(list, func(a, b Calculation) int { return strings.Compare(a.Name, b.Name) })
	return list
}
