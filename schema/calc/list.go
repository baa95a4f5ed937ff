package calc

import (
	"slices"
	"strings"

	"gatewright/schema/record"
)

// all is in the order of names.
var all = sorted([]Calculation{
	add("record.canonical", "A record's canonical JSON and its SHA-256, as signatures cover them",
		"RFC 8785 (JSON Canonicalization Scheme); FIPS 180-4", record.Canonical),
})

func sorted(list []Calculation) []Calculation {
	slices.SortFunc(list, func(a, b Calculation) int { return strings.Compare(a.Name, b.Name) })
	return list
}
