package main

import "fmt"

// serverNames are the servers in the order of the report; ours comes first, ratios are to it.
var serverNames = []string{"gatewright"}

func (b *run) target(name string) (target, error) {
	switch name {
	case "gatewright":
		return newOurs(b.binary), nil
	}
	return nil, fmt.Errorf("%s is not known", name)
}
