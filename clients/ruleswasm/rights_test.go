package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"testing"

	"gatewright/schema/rights"
)

var update = flag.Bool("update", false, "write the phone's copy of the rights table anew")

const phoneRights = "../phone/src/session/rights.json"

// The phone's buttons go by the same table as the server's refusals: its copy
// is generated here (go test -run Rights -update) and may not drift.
func TestPhoneHasTheRightsTable(t *testing.T) {
	want, err := json.MarshalIndent(rights.Table(), "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	want = append(want, '\n')
	if *update {
		if err := os.WriteFile(phoneRights, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile(phoneRights)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(have, want) {
		t.Errorf("%s is not the rights table of today: run go test -run Rights -update ./clients/ruleswasm", phoneRights)
	}
}
