package storetest

import (
	"context"
	"errors"
	"sync"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// ErrFault is what a fault without an error of its own gives.
var ErrFault = errors.New("the store failed on purpose")

// Fault makes one call of a Faulty store fail.
type Fault struct {
	Method string // such as "Append"; "" = any
	Call   int    // which of the calls to come that match; 1 = the next, as is 0
	After  bool   // do what was asked first, then fail
	Err    error  // nil = ErrFault
}

// Faulty is a store whose calls fail when told to, before or after they took
// effect. After is how a lost answer looks: the caller does not know, and must
// be able to ask again.
type Faulty struct {
	store hub.Store

	mu     sync.Mutex
	faults []Fault
	calls  map[string]int
}

var _ hub.Store = (*Faulty)(nil)

// NewFaulty wraps a store.
func NewFaulty(store hub.Store, faults ...Fault) *Faulty {
	f := &Faulty{store: store, calls: map[string]int{}}
	for _, fault := range faults {
		f.Fail(fault)
	}
	return f
}

// Fail adds a fault. It counts the calls from now on and is used up once.
func (f *Faulty) Fail(fault Fault) {
	f.mu.Lock()
	defer f.mu.Unlock()
	fault.Call = max(fault.Call, 1)
	if fault.Err == nil {
		fault.Err = ErrFault
	}
	f.faults = append(f.faults, fault)
}

// Calls says how often a method was called; "" = all of them.
func (f *Faulty) Calls(method string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.calls[method]
}

// call runs do unless a fault forbids it, and gives the fault's error if one
// is due.
func (f *Faulty) call(method string, do func() error) error {
	f.mu.Lock()
	f.calls[method]++
	f.calls[""]++
	var due *Fault
	kept := f.faults[:0:0]
	for _, fault := range f.faults {
		if fault.Method == "" || fault.Method == method {
			fault.Call--
			if fault.Call == 0 {
				due = &fault
				continue
			}
		}
		kept = append(kept, fault)
	}
	f.faults = kept
	f.mu.Unlock()
	if due == nil {
		return do()
	}
	if due.After {
		if err := do(); err != nil {
			return err
		}
	}
	return due.Err
}

// Load implements hub.Store.
func (f *Faulty) Load(ctx context.Context, site, doc string) (changes []hub.StoredChange, held []hub.HeldChange, err error) {
	err = f.call("Load", func() (err error) {
		changes, held, err = f.store.Load(ctx, site, doc)
		return err
	})
	if err != nil {
		return nil, nil, err
	}
	return changes, held, nil
}

// Append implements hub.Store.
func (f *Faulty) Append(ctx context.Context, b hub.Batch) error {
	return f.call("Append", func() error { return f.store.Append(ctx, b) })
}

// Hold implements hub.Store.
func (f *Faulty) Hold(ctx context.Context, site string, held []hub.HeldChange) error {
	return f.call("Hold", func() error { return f.store.Hold(ctx, site, held) })
}

// Unhold implements hub.Store.
func (f *Faulty) Unhold(ctx context.Context, site, docID string, hashes []change.Hash) error {
	return f.call("Unhold", func() error { return f.store.Unhold(ctx, site, docID, hashes) })
}

// Quarantine implements hub.Store.
func (f *Faulty) Quarantine(ctx context.Context, site string, q []hub.Quarantined) error {
	return f.call("Quarantine", func() error { return f.store.Quarantine(ctx, site, q) })
}

// Documents implements hub.Store.
func (f *Faulty) Documents(ctx context.Context, site string) (list []hub.Document, err error) {
	err = f.call("Documents", func() (err error) {
		list, err = f.store.Documents(ctx, site)
		return err
	})
	if err != nil {
		return nil, err
	}
	return list, nil
}

// HeldDocuments implements hub.Store.
func (f *Faulty) HeldDocuments(ctx context.Context, site string) (names []string, err error) {
	err = f.call("HeldDocuments", func() error {
		names, err = f.store.HeldDocuments(ctx, site)
		return err
	})
	if err != nil {
		return nil, err
	}
	return names, nil
}

// ActorDevices implements hub.Store.
func (f *Faulty) ActorDevices(ctx context.Context, site string, actors []change.Actor) (bound map[change.Actor]string, err error) {
	err = f.call("ActorDevices", func() (err error) {
		bound, err = f.store.ActorDevices(ctx, site, actors)
		return err
	})
	if err != nil {
		return nil, err
	}
	return bound, nil
}

// AuthorOf implements hub.Store.
func (f *Faulty) AuthorOf(ctx context.Context, site, device string) (a admit.Author, ok bool, err error) {
	err = f.call("AuthorOf", func() (err error) {
		a, ok, err = f.store.AuthorOf(ctx, site, device)
		return err
	})
	if err != nil {
		return admit.Author{}, false, err
	}
	return a, ok, nil
}
