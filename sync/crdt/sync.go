package crdt

import (
	"fmt"
	"time"

	"github.com/automerge/automerge-go"

	"gatewright/sync/change"
)

// Replica is a document of the reference implementation that can be written to
// and synced by the reference's own sync protocol: the oracle that the pure-Go
// sync state is tested against. It does not protect itself; give it validated
// bytes only.
type Replica struct{ doc *automerge.Doc }

// NewReplica gives an empty document that writes under the given actor.
func NewReplica(actor change.Actor) (*Replica, error) {
	r := &Replica{doc: automerge.New()}
	if err := r.doc.SetActorID(actor.String()); err != nil {
		return nil, fmt.Errorf("setting actor: %w", err)
	}
	return r, nil
}

// Set writes a string under a key of the root and commits it as one change,
// dated 1970.
func (r *Replica) Set(key, value string) error {
	if err := r.doc.RootMap().Set(key, value); err != nil {
		return fmt.Errorf("setting %q: %w", key, err)
	}
	epoch := time.Unix(0, 0)
	if _, err := r.doc.Commit("", automerge.CommitOptions{Time: &epoch}); err != nil {
		return fmt.Errorf("committing %q: %w", key, err)
	}
	return nil
}

// Get reads a string under a key of the root; "" if there is none.
func (r *Replica) Get(key string) (string, error) {
	v, err := r.doc.RootMap().Get(key)
	if err != nil {
		return "", fmt.Errorf("getting %q: %w", key, err)
	}
	if v.Kind() != automerge.KindStr {
		return "", nil
	}
	return v.Str(), nil
}

// Heads gives the heads, sorted.
func (r *Replica) Heads() []change.Hash {
	var out []change.Hash
	for _, h := range r.doc.Heads() {
		out = append(out, change.Hash(h))
	}
	return out
}

// Changes gives the chunks of all changes, deps first.
func (r *Replica) Changes() ([][]byte, error) {
	list, err := r.doc.Changes()
	if err != nil {
		return nil, fmt.Errorf("listing changes: %w", err)
	}
	var out [][]byte
	for _, c := range list {
		out = append(out, c.Save())
	}
	return out, nil
}

// SyncState is the reference's state of syncing one replica with one peer.
type SyncState struct{ state *automerge.SyncState }

// Sync begins syncing with a peer that nothing is known about.
func (r *Replica) Sync() *SyncState { return &SyncState{automerge.NewSyncState(r.doc)} }

// Reconnect gives the state for a new connection with the same peer, by the
// reference's own way of writing a state down and reading it back.
func (r *Replica) Reconnect(s *SyncState) (*SyncState, error) {
	state, err := automerge.LoadSyncState(r.doc, s.state.Save())
	if err != nil {
		return nil, fmt.Errorf("reading sync state back: %w", err)
	}
	return &SyncState{state}, nil
}

// GenerateMessage gives the next payload for the peer, and false if there is
// nothing to say.
func (s *SyncState) GenerateMessage() ([]byte, bool) {
	m, ok := s.state.GenerateMessage()
	if !ok {
		return nil, false
	}
	return m.Bytes(), true
}

// ReceiveMessage takes in a payload of the peer and applies its changes.
func (s *SyncState) ReceiveMessage(payload []byte) error {
	if _, err := s.state.ReceiveMessage(payload); err != nil {
		return fmt.Errorf("receiving payload: %w", err)
	}
	return nil
}
