package httpapi_test

import (
	"encoding/json"
	"net/http"
	"os"
	"strings"
	"testing"

	"gatewright/schema/calc"
	"gatewright/schema/rights"
)

// Whoever is enrolled may calculate, and gets the bytes that Go gives.
func TestCalculations(t *testing.T) {
	y := newYard(t, nil)
	viewer := y.enrol(y.site("brook").ID, rights.Viewer, "Ada")
	b, err := os.ReadFile("../../schema/calc/testdata/examples.json")
	y.must(err)
	var examples map[string]json.RawMessage
	y.must(json.Unmarshal(b, &examples))
	for _, c := range calc.All() {
		want, err := c.Run(examples[c.Name])
		if err != nil {
			t.Errorf("%s: %v", c.Name, err)
			continue
		}
		if a := y.ask("POST", "/api/v1/calc/"+c.Name, viewer.access, string(examples[c.Name])); a.status != 200 || string(a.body) != string(want) {
			t.Errorf("%s:\n got %s\nwant %s", c.Name, a, want)
		}
	}
	if a := y.ask("GET", "/api/v1/calc", viewer.access, nil); a.status != 200 || string(a.body) != string(calc.ListJSON()) {
		t.Errorf("the list is another than Go's: %s", a)
	}
}

// A script that names no JSON as its body's type, as curl -d does not, is understood all the same.
func TestCalculationFromCurl(t *testing.T) {
	y := newYard(t, nil)
	crew := y.enrol(y.site("brook").ID, rights.Crew, "Dan")
	req, err := http.NewRequest("POST", y.base+"/api/v1/calc/unit.convert", strings.NewReader(`{"value":6,"from":"bar","to":"kPa"}`))
	y.must(err)
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Authorization", "Bearer "+crew.access)
	if a := y.send(req); a.status != 200 || string(a.body) != `{"quantity":"pressure","value":600}` {
		t.Errorf("%s", a)
	}
}
