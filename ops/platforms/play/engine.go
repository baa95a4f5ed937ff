package play

import (
	"gatewright/schema/logbook"
	"gatewright/schema/rules"
)

// Engine is schema/rules as an Evaluator.
type Engine struct {
	site   *Site
	engine *rules.Engine
}

// NewEngine is an engine that has the site's plan and heads, and no entries.
func NewEngine(s *Site) (*Engine, error) {
	e := &Engine{site: s, engine: rules.New()}
	return e, e.open()
}

func (e *Engine) open() error {
	plan, err := logbook.ParsePlan(e.site.Plan)
	if err != nil {
		return err
	}
	e.engine.SetPlan(plan, e.site.Plan)
	for doc, heads := range e.site.Heads {
		e.engine.SetHeads(doc, heads)
	}
	return nil
}

// Add gives an entry.
func (e *Engine) Add(raw []byte) error {
	x, err := logbook.ParseEntry(raw)
	if err != nil {
		return err
	}
	e.engine.Add(x)
	return nil
}

// Reload saves and loads; the plan is then given anew, as a server does that reads a saved state.
func (e *Engine) Reload() error {
	loaded, err := rules.Load(e.engine.Save())
	if err != nil {
		return err
	}
	e.engine = loaded
	return e.open()
}

// Evaluate gives the output at now.
func (e *Engine) Evaluate(now int64) ([]byte, error) {
	return e.engine.Evaluate(now).AppendJSON(nil), nil
}
