package main

import (
	"encoding/json"
	"os"
	"strings"
	"testing"

	"gatewright/schema/calc"
)

// examples is one input a calculation.
func examples(t *testing.T) map[string]json.RawMessage {
	t.Helper()
	b, err := os.ReadFile("../../schema/calc/testdata/examples.json")
	if err != nil {
		t.Fatal(err)
	}
	var all map[string]json.RawMessage
	if err := json.Unmarshal(b, &all); err != nil {
		t.Fatal(err)
	}
	return all
}

// The console gives the bytes that Go gives, whichever way the input comes.
func TestCalcExamples(t *testing.T) {
	all := examples(t)
	for _, c := range calc.All() {
		want, err := c.Run(all[c.Name])
		if err != nil {
			t.Errorf("%s: %v", c.Name, err)
			continue
		}
		if got := ok(t, "calc", c.Name, "--json", string(all[c.Name])); got != string(want)+"\n" {
			t.Errorf("%s:\n got %swant %s", c.Name, got, want)
		}
	}
	for _, args := range [][]string{{"calc", "record.canonical"}, {"calc", "record.canonical", "--json", "-"}} {
		program := command(t, args...)
		program.Stdin = strings.NewReader(`{"value":{"b":1,"a":2}}`)
		code, stdout, stderr := finish(t, program)
		if code != 0 || !strings.HasPrefix(stdout, `{"canonical":"{\"a\":2,\"b\":1}","sha256":"`) || stderr != "" {
			t.Errorf("%v from standard input: exit code %d, %s, %s", args, code, stdout, stderr)
		}
	}
}

func TestCalcBadInput(t *testing.T) {
	for _, c := range []struct {
		args           []string
		stdout, stderr string
	}{
		{[]string{"no.such", "--json", "{}"}, `{"error":{"field":"name","message":"name is that of no calculation here"}}`, "name is that of no calculation here."},
		{[]string{"no.such", "--schemas"}, `{"error":{"field":"name","message":"name is that of no calculation here"}}`, "name is that of no calculation here."},
		{[]string{"record.canonical", "--json", "{}"}, `{"error":{"field":"value","message":"value is missing"}}`, "value is missing."},
		{[]string{"record.canonical", "--json", ""}, `{"error":{"field":"","message":"the JSON cannot be read: the JSON ends where a value should be (at byte 0)"}}`, "the JSON cannot be read"},
		{[]string{"record.canonical"}, `{"error":{"field":"","message":"the input is missing: --json '{…}', or JSON on standard input"}}`, "the input is missing"},
		{[]string{}, "", "--list shows them"},
		{[]string{"a", "b"}, "", "b is too much"},
		{[]string{"--list", "--schemas"}, "", "do not go together"},
		{[]string{"--lst"}, "", "unknown flag: --lst"},
	} {
		code, stdout, stderr := run(t, append([]string{"calc"}, c.args...)...)
		if code != 2 || strings.TrimSuffix(stdout, "\n") != c.stdout || !strings.Contains(stderr, c.stderr) {
			t.Errorf("calc %v: exit code %d, stdout %q, stderr %q", c.args, code, stdout, stderr)
		}
	}
}

func TestCalcLists(t *testing.T) {
	table := ok(t, "calc", "--list")
	for _, c := range calc.All() {
		if !strings.Contains(table, "\n"+c.Name+" ") || !strings.Contains(table, c.About) || !strings.Contains(table, c.Source) {
			t.Errorf("%s is not in the table as it should:\n%s", c.Name, table)
		}
	}
	if got := ok(t, "calc", "--schemas"); got != string(calc.ListJSON())+"\n" {
		t.Errorf("the list for programs is another than Go's: %s", got)
	}
	var one struct{ Name string }
	if err := json.Unmarshal([]byte(ok(t, "calc", "record.canonical", "--schemas")), &one); err != nil || one.Name != "record.canonical" {
		t.Errorf("one calculation for programs: %+v, %v", one, err)
	}
}
