// Command native runs the rules on this machine's own processor over the very facts that a phone hands to its
// module, so that a test can hold the two outputs against one another. It reads one JSON object from standard input:
//
//	{"plan": [base64 changes, in order of dependence], "entries": [texts], "heads": {document: [hashes]}, "instants": [ms]}
//
// and prints one output a line.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"

	"gatewright/schema/logbook"
	"gatewright/schema/rules"
	"gatewright/sync/change"
	"gatewright/sync/fold"
)

type facts struct {
	Plan     [][]byte            `json:"plan"`
	Entries  []string            `json:"entries"`
	Heads    map[string][]string `json:"heads"`
	Instants []int64             `json:"instants"`
}

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "native:", err)
		os.Exit(1)
	}
}

func run() error {
	var f facts
	if err := json.NewDecoder(os.Stdin).Decode(&f); err != nil {
		return fmt.Errorf("reading the facts: %w", err)
	}
	engine, err := f.engine()
	if err != nil {
		return err
	}
	out := bufio.NewWriter(os.Stdout)
	for _, now := range f.Instants {
		out.Write(engine.Evaluate(now).AppendJSON(nil))
		out.WriteByte('\n')
	}
	return out.Flush()
}

func (f *facts) engine() (*rules.Engine, error) {
	plan := fold.New()
	for i, bytes := range f.Plan {
		c, err := change.Decode(bytes, change.DefaultLimits)
		if err == nil {
			err = plan.Apply(c)
		}
		if err != nil {
			return nil, fmt.Errorf("plan change %d: %w", i, err)
		}
	}
	projection := plan.JSON()
	parsed, err := logbook.ParsePlan(projection)
	if err != nil {
		return nil, fmt.Errorf("reading the plan: %w", err)
	}
	engine := rules.New()
	engine.SetPlan(parsed, projection)
	for i, raw := range f.Entries {
		e, err := logbook.ParseEntry([]byte(raw))
		if err != nil {
			return nil, fmt.Errorf("entry %d: %w", i, err)
		}
		engine.Add(e)
	}
	for name, heads := range f.Heads {
		engine.SetHeads(name, heads)
	}
	return engine, nil
}
