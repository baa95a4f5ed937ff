package hub_test

import (
	"fmt"

	"gatewright/sync/hub"
)

// render writes effects out in full, bytes included.
func render(effects []hub.Effect) string {
	out := ""
	for _, e := range effects {
		out += fmt.Sprintf("%T %+v\n", e, e)
	}
	return out
}
