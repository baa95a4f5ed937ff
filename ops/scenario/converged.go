package scenario

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"gatewright/clients/phonesim"
	"gatewright/ops/naive"
	"gatewright/schema/rules"
	"gatewright/sync/change"
	"gatewright/sync/crdt"
	"gatewright/sync/hub"
	"gatewright/sync/replay"
)

// Converged checks that the story has come to rest: every phone that the
// server lets in has nothing that waits, holds the server's documents byte for
// byte, and says the same as the server, byte for byte.
func (w *World) Converged() error {
	ctx := context.Background()
	docs, err := w.server.store.Documents(ctx, w.site)
	if err != nil {
		return err
	}
	served := map[string]*copyOf{}
	for _, d := range docs {
		changes, _, err := w.server.store.Load(ctx, w.site, d.Name)
		if err != nil {
			return err
		}
		if served[d.Name], err = newCopy(d, changes); err != nil {
			return fmt.Errorf("%s on the server: %w", d.Name, err)
		}
	}
	site, err := replay.Read(ctx, w.server.store, w.site)
	if err != nil {
		return err
	}
	want, err := said(site, w.now)
	if err != nil {
		return err
	}
	met := 0
	for _, h := range w.inOrder() {
		if h.shut != "" {
			continue
		}
		met++
		if err := h.like(served, want, w.now); err != nil {
			return fmt.Errorf("%s: %w", h.name, err)
		}
	}
	if met == 0 {
		return errors.New("no phone is left that could agree with the server")
	}
	return nil
}

// copyOf is one document as a replica holds it.
type copyOf struct {
	heads      []change.Hash
	chunks     [][]byte // ascending by hash
	projection []byte
}

// newCopy reads what the store holds, and has the native library read it too.
func newCopy(d hub.Document, stored []hub.StoredChange) (*copyOf, error) {
	slices.SortFunc(stored, func(a, b hub.StoredChange) int { return a.Hash.Compare(b.Hash) })
	c := &copyOf{heads: d.Heads}
	for _, s := range stored {
		c.chunks = append(c.chunks, s.Bytes)
	}
	native, err := crdt.Load(inTurn(stored))
	if err != nil {
		return nil, err
	}
	if c.projection, err = native.JSON(); err != nil {
		return nil, err
	}
	if heads := native.Heads(); !slices.Equal(heads, d.Heads) {
		return nil, fmt.Errorf("the native library has heads %s, the store %s", heads, d.Heads)
	}
	return c, nil
}

// inTurn gives the chunks with every change behind those that it depends on.
func inTurn(rest []hub.StoredChange) (out [][]byte) {
	placed := map[change.Hash]bool{}
	for moved := true; moved && len(rest) > 0; {
		var later []hub.StoredChange
		for _, s := range rest {
			if slices.ContainsFunc(s.Deps, func(h change.Hash) bool { return !placed[h] }) {
				later = append(later, s)
				continue
			}
			placed[s.Hash] = true
			out = append(out, s.Bytes)
		}
		moved, rest = len(later) < len(rest), later
	}
	return out
}

// said is what the server says, once the evaluator that shares no code with
// the rules has said the same.
func said(site *replay.Site, now int64) ([]byte, error) {
	want := site.Engine().Evaluate(now).AppendJSON(nil)
	var raws [][]byte
	for _, e := range site.Entries {
		raws = append(raws, e.Raw)
	}
	other, err := naive.Evaluate(site.PlanJSON, raws, site.Heads, now)
	if err != nil {
		return nil, fmt.Errorf("evaluating once more: %w", err)
	}
	if !bytes.Equal(want, other) {
		return nil, fmt.Errorf("the rules say\n%s\nand the second evaluator\n%s", want, other)
	}
	return want, nil
}

// like compares a phone with the server.
func (h *handset) like(served map[string]*copyOf, want []byte, now int64) error {
	if !h.phone.On() {
		return phonesim.ErrOff
	}
	for _, parcel := range h.phone.Outbox() {
		if parcel.State == phonesim.Waiting {
			return fmt.Errorf("%s still waits in the outbox", parcel.ID)
		}
	}
	for _, name := range h.phone.Documents() {
		if served[name] == nil {
			return fmt.Errorf("it has %s, which the server has not", name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(served)) {
		c := served[name]
		if !slices.Equal(h.phone.Heads(name), c.heads) {
			return fmt.Errorf("%s: heads %s, on the server %s", name, h.phone.Heads(name), c.heads)
		}
		if !slices.EqualFunc(h.phone.Changes(name), c.chunks, bytes.Equal) {
			return fmt.Errorf("%s: equal heads and other bytes", name)
		}
		if p := h.phone.Projection(name); !bytes.Equal(p, c.projection) {
			return fmt.Errorf("%s: it reads as\n%s\nand natively as\n%s", name, p, c.projection)
		}
	}
	out, err := h.phone.Rules(now)
	if err != nil {
		return err
	}
	if got := out.AppendJSON(nil); !bytes.Equal(got, want) {
		return fmt.Errorf("the rules say\n%s\nand on the server\n%s", got, want)
	}
	loaded, err := rules.Load(h.phone.Engine().Save())
	if err != nil {
		return fmt.Errorf("loading the saved rules: %w", err)
	}
	if got := loaded.Evaluate(now).AppendJSON(nil); !bytes.Equal(got, want) {
		return fmt.Errorf("the rules say, once saved and loaded,\n%s\nand on the server\n%s", got, want)
	}
	return nil
}
