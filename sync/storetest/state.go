package storetest

import (
	"context"
	"slices"

	"gatewright/sync/change"
	"gatewright/sync/hub"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// State is all that a store holds of a site's documents, in a fixed order.
type State struct {
	Documents []hub.Document
	Changes   map[string][]hub.StoredChange
	Held      map[string][]hub.HeldChange
	Actors    map[change.Actor]string
}

// StateOf reads what a store holds of a site: the documents it lists and those
// named besides.
func StateOf(t TB, ctx context.Context, s hub.Store, site string, docs ...string) State {
	t.Helper()
	st := State{Changes: map[string][]hub.StoredChange{}, Held: map[string][]hub.HeldChange{}}
	list, err := s.Documents(ctx, site)
	if err != nil {
		t.Fatalf("Documents: %v", err)
	}
	st.Documents = list
	for _, d := range list {
		docs = append(docs, d.Name)
	}
	var actors []change.Actor
	for _, doc := range docs {
		changes, held, err := s.Load(ctx, site, doc)
		if err != nil {
			t.Fatalf("Load %s: %v", doc, err)
		}
		slices.SortFunc(changes, func(a, b hub.StoredChange) int { return a.Hash.Compare(b.Hash) })
		slices.SortFunc(held, func(a, b hub.HeldChange) int { return a.Hash.Compare(b.Hash) })
		st.Changes[doc], st.Held[doc] = changes, held
		for _, c := range changes {
			actors = append(actors, c.Actor)
		}
	}
	if st.Actors, err = s.ActorDevices(ctx, site, actors); err != nil {
		t.Fatalf("ActorDevices: %v", err)
	}
	return st
}

func same(t TB, what string, got, want any) {
	t.Helper()
	if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" {
		t.Fatalf("%s (-want +got):\n%s", what, d)
	}
}
