// Package replay reads a site's documents from the store as what they mean: the plan's projection with its
// conflicts, the entries of the log, and the heads that say which documents those were. It is how the server
// comes to the same rules output as a phone with the same documents.
package replay

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"gatewright/schema/logbook"
	"gatewright/schema/rules"
	"gatewright/sync/change"
	"gatewright/sync/fold"
	"gatewright/sync/hub"
)

// PlanName is the name of the plan document.
const PlanName = "plan"

// Source is where documents are read from.
type Source interface {
	Load(ctx context.Context, site, doc string) ([]hub.StoredChange, []hub.HeldChange, error)
	Documents(ctx context.Context, site string) ([]hub.Document, error)
}

// Site is what a site's documents say.
type Site struct {
	Plan      *logbook.Plan
	PlanJSON  []byte              // the plan's projection, canonical JSON
	Conflicts []fold.Conflict     // fields of the plan with more than one live value
	Entries   []*logbook.Entry    // of all months, by id
	Heads     map[string][]string // document name to heads, both sorted
}

// Read reads all documents of a site. A site without documents has an empty plan and no entries.
func Read(ctx context.Context, from Source, site string) (*Site, error) {
	docs, err := from.Documents(ctx, site)
	if err != nil {
		return nil, fmt.Errorf("listing documents: %w", err)
	}
	out := &Site{Heads: map[string][]string{}}
	plan := fold.New()
	for _, d := range docs {
		stored, _, err := from.Load(ctx, site, d.Name)
		if err != nil {
			return nil, fmt.Errorf("loading %s: %w", d.Name, err)
		}
		changes, heads, err := decode(stored)
		if err != nil {
			return nil, fmt.Errorf("reading %s: %w", d.Name, err)
		}
		out.Heads[d.Name] = heads
		for _, c := range changes {
			if d.Name == PlanName {
				err = plan.Apply(c)
			} else {
				err = out.addEntries(c)
			}
			if err != nil {
				return nil, fmt.Errorf("reading change %s of %s: %w", c.Hash, d.Name, err)
			}
		}
	}
	slices.SortFunc(out.Entries, func(a, b *logbook.Entry) int { return strings.Compare(string(a.ID), string(b.ID)) })
	out.PlanJSON, out.Conflicts = plan.JSON(), plan.Conflicts()
	if out.Plan, err = logbook.ParsePlan(out.PlanJSON); err != nil {
		return nil, fmt.Errorf("reading the plan: %w", err)
	}
	return out, nil
}

func (s *Site) addEntries(c *change.Change) error {
	for _, op := range c.Ops {
		if op.Action != change.Set || op.Value.Kind != change.KindString {
			continue
		}
		e, err := logbook.ParseEntry([]byte(op.Value.Str))
		if err != nil {
			return fmt.Errorf("entry %s: %w", op.Key, err)
		}
		s.Entries = append(s.Entries, e)
	}
	return nil
}

// decode gives the changes with every change behind what it depends on, and the heads, sorted.
func decode(stored []hub.StoredChange) ([]*change.Change, []string, error) {
	byHash := make(map[change.Hash]*change.Change, len(stored))
	named := map[change.Hash]bool{}
	for _, s := range stored {
		c, err := change.Decode(s.Bytes, change.DefaultLimits)
		if err != nil {
			return nil, nil, fmt.Errorf("change %s: %w", s.Hash, err)
		}
		byHash[c.Hash] = c
		for _, d := range c.Deps {
			named[d] = true
		}
	}
	hashes := make([]change.Hash, 0, len(byHash))
	for h := range byHash {
		hashes = append(hashes, h)
	}
	slices.SortFunc(hashes, change.Hash.Compare)
	order := make([]*change.Change, 0, len(hashes))
	var heads []string
	placed := make(map[change.Hash]bool, len(hashes))
	for _, h := range hashes {
		if !named[h] {
			heads = append(heads, h.String())
		}
		if err := place(h, byHash, placed, &order); err != nil {
			return nil, nil, err
		}
	}
	return order, heads, nil
}

// place appends a change behind everything it depends on. It keeps its own stack: a month of entries is one long
// chain.
func place(h change.Hash, byHash map[change.Hash]*change.Change, placed map[change.Hash]bool, order *[]*change.Change) error {
	stack := []change.Hash{h}
	for len(stack) > 0 {
		top := stack[len(stack)-1]
		if placed[top] {
			stack = stack[:len(stack)-1]
			continue
		}
		c := byHash[top]
		if c == nil {
			return fmt.Errorf("change %s is missing", top)
		}
		ready := true
		for _, d := range c.Deps {
			if !placed[d] {
				stack, ready = append(stack, d), false
			}
		}
		if ready {
			placed[top] = true
			*order = append(*order, c)
			stack = stack[:len(stack)-1]
		}
	}
	return nil
}

// Engine feeds the rules with all that was read.
func (s *Site) Engine() *rules.Engine {
	e := rules.New()
	e.SetPlan(s.Plan, s.PlanJSON)
	for name, heads := range s.Heads {
		e.SetHeads(name, heads)
	}
	e.Grow(len(s.Entries))
	for _, entry := range s.Entries {
		e.Add(entry)
	}
	return e
}

// Rules reads a site and feeds the rules with it.
func Rules(ctx context.Context, from Source, site string) (*rules.Engine, error) {
	s, err := Read(ctx, from, site)
	if err != nil {
		return nil, err
	}
	return s.Engine(), nil
}
