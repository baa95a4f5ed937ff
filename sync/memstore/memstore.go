// Package memstore keeps what a store keeps in memory, for tests and
// simulation. It decides as every store must and forgets everything when it is
// dropped. Its results do not depend on the order of maps.
package memstore

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"sync"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// Store implements hub.Store. It is safe for use by several goroutines.
type Store struct {
	mu         sync.Mutex
	sites      map[string]*site
	documents  map[string]*document // by document id
	quarantine map[string]bool      // ids in use, over all sites
}

var _ hub.Store = (*Store)(nil)

type site struct {
	documents  map[string]*document // by name
	entries    map[string]place
	actors     map[change.Actor]string
	devices    map[string]admit.Author
	held       []hub.HeldChange
	quarantine []hub.Quarantined
	wake       int64
	woken      bool
}

type document struct {
	site, name, id string
	heads          map[change.Hash]bool
	changes        []hub.StoredChange
	byHash         map[change.Hash]int // place in changes
	numbers        map[number]bool
}

// place is where a change is found.
type place struct {
	doc *document
	at  int
}

type number struct {
	actor change.Actor
	seq   uint64
}

// New gives a store without sites.
func New() *Store {
	return &Store{sites: map[string]*site{}, documents: map[string]*document{}, quarantine: map[string]bool{}}
}

// PutSite adds a site, unless it is there.
func (s *Store) PutSite(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.sites[id] == nil {
		s.sites[id] = &site{
			documents: map[string]*document{},
			entries:   map[string]place{},
			actors:    map[change.Actor]string{},
			devices:   map[string]admit.Author{},
		}
	}
}

// PutDevice adds a device to a site that is there, or puts it in place of the
// device of that id.
func (s *Store) PutDevice(siteID string, a admit.Author) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	at := s.sites[siteID]
	if at == nil {
		return &hub.StoreError{Code: hub.StoreSite}
	}
	at.devices[a.Device] = cloneAuthor(a)
	return nil
}

// Revoke revokes a device of a site at an instant (ms); 0 takes that back. It
// reports whether there is such a device.
func (s *Store) Revoke(siteID, device string, at int64) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.sites[siteID] == nil {
		return false
	}
	a, ok := s.sites[siteID].devices[device]
	if ok {
		a.Revoked = at
		s.sites[siteID].devices[device] = a
	}
	return ok
}

// Wake gives the site's wake instant (ms); false when it was never set.
func (s *Store) Wake(siteID string) (int64, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if at := s.sites[siteID]; at != nil {
		return at.wake, at.woken
	}
	return 0, false
}

// Quarantined lists what is in quarantine at a site, in the order it came.
func (s *Store) Quarantined(siteID string) []hub.Quarantined {
	s.mu.Lock()
	defer s.mu.Unlock()
	var list []hub.Quarantined
	if at := s.sites[siteID]; at != nil {
		for _, q := range at.quarantine {
			list = append(list, cloneQuarantined(q))
		}
	}
	return list
}

// Entry gives the change that holds an entry of the log. The caller must not
// write to it.
func (s *Store) Entry(siteID, id string) (hub.StoredChange, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if at := s.sites[siteID]; at != nil {
		if p := at.entries[id]; p.doc != nil {
			return p.doc.changes[p.at], true
		}
	}
	return hub.StoredChange{}, false
}

// Change gives a change of a document by its hash. The caller must not write
// to it.
func (s *Store) Change(siteID, doc string, h change.Hash) (hub.StoredChange, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if at := s.sites[siteID]; at != nil && at.documents[doc] != nil {
		if i, ok := at.documents[doc].byHash[h]; ok {
			return at.documents[doc].changes[i], true
		}
	}
	return hub.StoredChange{}, false
}

// Clone copies the store, as a backup does.
func (s *Store) Clone() *Store {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := New()
	out.quarantine = maps.Clone(s.quarantine)
	for id, from := range s.sites {
		to := &site{documents: map[string]*document{}, entries: make(map[string]place, len(from.entries)),
			actors: maps.Clone(from.actors), devices: map[string]admit.Author{}, held: slices.Clone(from.held),
			quarantine: slices.Clone(from.quarantine), wake: from.wake, woken: from.woken}
		for name, d := range from.documents {
			c := &document{site: d.site, name: d.name, id: d.id, heads: maps.Clone(d.heads), changes: slices.Clone(d.changes),
				byHash: maps.Clone(d.byHash), numbers: maps.Clone(d.numbers)}
			to.documents[name], out.documents[d.id] = c, c
		}
		for entry, p := range from.entries {
			to.entries[entry] = place{to.documents[p.doc.name], p.at}
		}
		for device, a := range from.devices {
			to.devices[device] = cloneAuthor(a)
		}
		out.sites[id] = to
	}
	return out
}

func (d *document) has(h change.Hash) bool {
	_, ok := d.byHash[h]
	return ok
}

// Load implements hub.Store; changes and held changes come in the order in
// which they were stored.
func (s *Store) Load(ctx context.Context, siteID, doc string) ([]hub.StoredChange, []hub.HeldChange, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, nil, fmt.Errorf("loading %s: %w", doc, err)
	}
	at := s.sites[siteID]
	if at == nil {
		return nil, nil, nil
	}
	var changes []hub.StoredChange
	if d := at.documents[doc]; d != nil {
		for _, c := range d.changes {
			changes = append(changes, cloneChange(c))
		}
	}
	var held []hub.HeldChange
	for _, h := range at.held {
		if h.Doc == doc {
			h.Bytes = bytes.Clone(h.Bytes)
			held = append(held, h)
		}
	}
	return changes, held, nil
}

// Append implements hub.Store.
func (s *Store) Append(ctx context.Context, b hub.Batch) error {
	if len(b.Changes) == 0 {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("storing changes of %s: %w", b.Doc, err)
	}
	at := s.sites[b.Site]
	if at == nil {
		return &hub.StoreError{Code: hub.StoreSite}
	}
	d := s.documents[b.DocID]
	if named := at.documents[b.Doc]; named != d || d != nil && d.site != b.Site {
		return fmt.Errorf("storing changes of %s: document id %s and this name do not belong together at site %s", b.Doc, b.DocID, b.Site)
	}
	if d == nil {
		d = &document{
			site: b.Site, name: b.Doc, id: b.DocID,
			heads:   map[change.Hash]bool{},
			byHash:  map[change.Hash]int{},
			numbers: map[number]bool{},
		}
	}
	fresh, err := check(at, d, b)
	if err != nil {
		return err
	}
	at.held = slices.DeleteFunc(at.held, func(h hub.HeldChange) bool {
		return h.DocID == b.DocID && slices.ContainsFunc(b.Changes, func(c hub.StoredChange) bool { return c.Hash == h.Hash })
	})
	if len(fresh) == 0 {
		return nil
	}
	s.documents[b.DocID], at.documents[b.Doc] = d, d
	for _, c := range fresh {
		d.byHash[c.Hash], d.heads[c.Hash] = len(d.changes), true
		d.changes = append(d.changes, cloneChange(c))
		d.numbers[number{c.Actor, c.Seq}] = true
		at.actors[c.Actor] = c.Device
		for _, e := range c.Entries {
			at.entries[e.ID] = place{d, d.byHash[c.Hash]}
		}
	}
	for _, c := range fresh {
		for _, dep := range c.Deps {
			delete(d.heads, dep)
		}
	}
	at.wake, at.woken = b.Now, true
	return nil
}

// check gives the changes of a batch that are new, or says why it is refused.
// It changes nothing.
func check(at *site, d *document, b hub.Batch) ([]hub.StoredChange, error) {
	var fresh []hub.StoredChange
	added := map[change.Hash]bool{}
	numbers := map[number]bool{}
	actors := map[change.Actor]string{}
	entries := map[string]bool{}
	for _, c := range b.Changes {
		if d.has(c.Hash) || added[c.Hash] {
			continue
		}
		if bringer := cmp.Or(c.Via, c.Device); bringer != admit.ServerDevice {
			device, ok := at.devices[bringer]
			switch {
			case !ok:
				return nil, &hub.StoreError{Code: hub.StoreDevice, Hash: c.Hash}
			case device.Revoked != 0:
				return nil, &hub.StoreError{Code: hub.StoreRevoked, Hash: c.Hash}
			}
		}
		n := number{c.Actor, c.Seq}
		if d.numbers[n] || numbers[n] || c.Seq > math.MaxInt64 {
			return nil, &hub.StoreError{Code: hub.StoreSeq, Hash: c.Hash}
		}
		bound, ok := at.actors[c.Actor]
		if !ok {
			bound, ok = actors[c.Actor]
		}
		if ok && bound != c.Device {
			return nil, &hub.StoreError{Code: hub.StoreActor, Hash: c.Hash}
		}
		for _, e := range c.Entries {
			if at.entries[e.ID].doc != nil || entries[e.ID] {
				return nil, &hub.StoreError{Code: hub.StoreTaken, Hash: c.Hash, Entry: e.ID}
			}
			entries[e.ID] = true
		}
		added[c.Hash], numbers[n], actors[c.Actor] = true, true, c.Device
		fresh = append(fresh, c)
	}
	for _, c := range fresh {
		for _, dep := range c.Deps {
			if !d.has(dep) && !added[dep] {
				return nil, &hub.StoreError{Code: hub.StoreDeps, Hash: c.Hash}
			}
		}
	}
	return fresh, nil
}

// Hold implements hub.Store.
func (s *Store) Hold(ctx context.Context, siteID string, held []hub.HeldChange) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("holding changes: %w", err)
	}
	at := s.sites[siteID]
	if at == nil {
		return &hub.StoreError{Code: hub.StoreSite}
	}
	for _, h := range held {
		if d := s.documents[h.DocID]; d != nil && d.has(h.Hash) {
			continue
		}
		if slices.ContainsFunc(at.held, func(o hub.HeldChange) bool { return o.DocID == h.DocID && o.Hash == h.Hash }) {
			continue
		}
		h.Bytes = bytes.Clone(h.Bytes)
		at.held = append(at.held, h)
	}
	return nil
}

// Unhold implements hub.Store.
func (s *Store) Unhold(ctx context.Context, siteID, docID string, hashes []change.Hash) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("letting go of held changes: %w", err)
	}
	at := s.sites[siteID]
	if at == nil {
		return &hub.StoreError{Code: hub.StoreSite}
	}
	at.held = slices.DeleteFunc(at.held, func(h hub.HeldChange) bool { return h.DocID == docID && slices.Contains(hashes, h.Hash) })
	return nil
}

// Quarantine implements hub.Store.
func (s *Store) Quarantine(ctx context.Context, siteID string, refused []hub.Quarantined) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("keeping what was refused: %w", err)
	}
	at := s.sites[siteID]
	if at == nil {
		return &hub.StoreError{Code: hub.StoreSite}
	}
	for _, q := range refused {
		if !s.quarantine[q.ID] {
			s.quarantine[q.ID] = true
			at.quarantine = append(at.quarantine, cloneQuarantined(q))
		}
	}
	return nil
}

// Documents implements hub.Store.
func (s *Store) Documents(ctx context.Context, siteID string) ([]hub.Document, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("listing documents: %w", err)
	}
	var list []hub.Document
	if at := s.sites[siteID]; at != nil {
		for _, d := range at.documents {
			doc := hub.Document{Name: d.name, ID: d.id}
			for h := range d.heads {
				doc.Heads = append(doc.Heads, h)
			}
			slices.SortFunc(doc.Heads, change.Hash.Compare)
			list = append(list, doc)
		}
	}
	slices.SortFunc(list, func(a, b hub.Document) int { return cmp.Compare(a.Name, b.Name) })
	return list, nil
}

// HeldDocuments implements hub.Store.
func (s *Store) HeldDocuments(ctx context.Context, siteID string) ([]string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("listing what is held: %w", err)
	}
	var names []string
	if at := s.sites[siteID]; at != nil {
		for _, h := range at.held {
			names = append(names, h.Doc)
		}
	}
	slices.Sort(names)
	return slices.Compact(names), nil
}

// ActorDevices implements hub.Store.
func (s *Store) ActorDevices(ctx context.Context, siteID string, actors []change.Actor) (map[change.Actor]string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("looking up actors: %w", err)
	}
	bound := map[change.Actor]string{}
	if at := s.sites[siteID]; at != nil {
		for _, a := range actors {
			if device, ok := at.actors[a]; ok {
				bound[a] = device
			}
		}
	}
	return bound, nil
}

// AuthorOf implements hub.Store.
func (s *Store) AuthorOf(ctx context.Context, siteID, device string) (admit.Author, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return admit.Author{}, false, fmt.Errorf("looking up a device: %w", err)
	}
	if device == admit.ServerDevice {
		return admit.Author{Device: device, Server: true}, true, nil
	}
	if at := s.sites[siteID]; at != nil {
		if a, ok := at.devices[device]; ok {
			return cloneAuthor(a), true, nil
		}
	}
	return admit.Author{}, false, nil
}

func cloneAuthor(a admit.Author) admit.Author {
	a.People = slices.Clone(a.People)
	slices.SortStableFunc(a.People, func(p, q admit.Person) int {
		return cmp.Or(cmp.Compare(p.ID, q.ID), cmp.Compare(p.From, q.From))
	})
	return a
}

// cloneChange copies a change, so that nobody outside changes what is stored.
func cloneChange(c hub.StoredChange) hub.StoredChange {
	c.Deps = slices.Clone(c.Deps)
	c.Bytes = bytes.Clone(c.Bytes)
	c.Entries = slices.Clone(c.Entries)
	slices.SortFunc(c.Entries, func(a, b hub.EntryRow) int { return cmp.Compare(a.ID, b.ID) })
	return c
}

func cloneQuarantined(q hub.Quarantined) hub.Quarantined {
	q.Bytes = bytes.Clone(q.Bytes)
	q.Entries = slices.Clone(q.Entries)
	for _, text := range []*string{&q.ID, &q.Doc, &q.Device, &q.Person, &q.Code, &q.Reason} {
		*text = hub.Text(*text)
	}
	return q
}
