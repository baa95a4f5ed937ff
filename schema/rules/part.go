package rules

// SaveBefore is Save of the entries and heads of the months before a document
// ("log/2026-09"), without the plan: what a phone keeps of closed months, so
// that it need not read them again. Load gives an engine that, once plan, heads
// and the entries of all other months are added, answers as one that was given
// everything.
func (e *Engine) SaveBefore(doc string) []byte {
	part := New()
	for id, f := range e.facts {
		if id.Document() < doc {
			part.facts[id] = f
		}
	}
	for name, heads := range e.heads {
		if name < doc { // the plan's name is greater than that of every month
			part.heads[name] = heads
		}
	}
	return part.Save()
}
