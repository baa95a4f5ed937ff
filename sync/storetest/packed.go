package storetest

import (
	"context"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
)

// packer is a store that packs documents.
type packer interface {
	hub.Store
	Pack(ctx context.Context, site, doc string, now int64) (bool, error)
}

// alwaysPacked packs a document after every batch.
type alwaysPacked struct{ packer }

func (p alwaysPacked) Append(ctx context.Context, b hub.Batch) error {
	if err := p.packer.Append(ctx, b); err != nil {
		return err
	}
	_, err := p.Pack(ctx, b.Site, b.Doc, 1)
	return err
}

// RunPacked is Run for a store that packs, with every document packed after
// every batch: whatever it promises, it promises of packed documents too.
func RunPacked(t *testing.T, open func(t *testing.T) Backend) {
	Run(t, func(t *testing.T) Backend {
		b := open(t)
		reopen := b.Reopen
		b.Store = alwaysPacked{b.Store.(packer)}
		b.Reopen = func(t TB) hub.Store { return alwaysPacked{reopen(t).(packer)} }
		b.Pack = nil // it is packed already
		return b
	})
}

// Memory is a new store in memory: the simplest statement of the rules, to
// hold another against.
func Memory() Backend {
	mem := memstore.New()
	return Backend{
		Store:   mem,
		PutSite: func(_ TB, site string) { mem.PutSite(site) },
		PutDevice: func(t TB, site string, a admit.Author) {
			if err := mem.PutDevice(site, a); err != nil {
				t.Fatalf("PutDevice: %v", err)
			}
		},
		Revoke: func(t TB, site, device string, at int64) {
			if !mem.Revoke(site, device, at) {
				t.Fatalf("no device %s", device)
			}
		},
		Wake:        func(_ TB, site string) (int64, bool) { return mem.Wake(site) },
		Quarantined: func(_ TB, site string) []hub.Quarantined { return mem.Quarantined(site) },
	}
}
