package starter

import (
	"encoding/json"

	"gatewright/schema/canon"
)

// packed writes facts that must agree as one canonical-JSON scalar.
func packed(v any) (string, error) {
	raw, err := json.Marshal(v)
	if err != nil {
		return "", err
	}
	out, err := canon.Canonical(raw)
	return string(out), err
}

// list is a list that is written [] when it is empty: null is no list.
func list[T any](l []T) []T {
	if l == nil {
		return []T{}
	}
	return l
}
