// Package rates says how sure a share is that was counted, and whether two
// shares differ: so many hits in so many trials, each trial by itself.
package rates

import (
	"gatewright/schema/input/refuse"
)

// mostTrials keeps every count exact as a number and every answer within some
// tens of milliseconds.
const mostTrials = 1_000_000_000

func counted(hitsField string, hits int64, trialsField string, trials int64) error {
	switch {
	case trials < 1 || trials > mostTrials:
		return refuse.Bad(trialsField, "must be from 1 to 1000000000")
	case hits < 0:
		return refuse.Bad(hitsField, "must be 0 or above")
	case hits > trials:
		return refuse.Bad(hitsField, "must not be above "+trialsField)
	}
	return nil
}

func confident(c float64) error {
	if !(c > 0 && c < 1) {
		return refuse.Bad("confidence", "must be between 0 and 1, such as 0.95")
	}
	return nil
}
