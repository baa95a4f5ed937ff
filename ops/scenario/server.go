package scenario

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// server is the real hub of the site over a real store, stepped by hand.
type server struct {
	site  *hub.Site
	store *keep
	now   func() int64

	lastConn  hub.ConnID
	conns     map[hub.ConnID]*handset
	lastToken hub.Token
	done      map[hub.Token]error

	quarantine []hub.Quarantined
	trouble    []string

	trace io.Writer // gets every frame in either direction; nil = nobody looks
}

func (w *World) startServer(store *keep) (*server, error) {
	actor := make([]byte, 16)
	w.chance("server")(actor)
	site, err := hub.NewSite(hub.SiteConfig{
		Site: w.site, PeerID: "server", StorageID: "server", Actor: change.Actor(actor), RestoreUntil: w.restoreUntil,
	})
	if err != nil {
		return nil, err
	}
	return &server{
		site: site, store: store, now: func() int64 { return w.now },
		conns: map[hub.ConnID]*handset{}, done: map[hub.Token]error{},
	}, nil
}

// step gives the hub an event, and then answers all that it asks for, in
// order, until it asks for nothing more.
func (s *server) step(ev hub.Event) {
	if f, ok := ev.(hub.Frame); ok && s.trace != nil {
		fmt.Fprintf(s.trace, "< %d %x\n", f.Conn, f.Bytes)
	}
	for queue := []hub.Event{ev}; len(queue) > 0; queue = queue[1:] {
		for _, effect := range s.site.Step(queue[0], s.now()) {
			if answer := s.perform(effect); answer != nil {
				queue = append(queue, answer)
			}
		}
	}
}

func (s *server) perform(e hub.Effect) hub.Event {
	ctx := context.Background()
	switch e := e.(type) {
	case hub.Send:
		if s.trace != nil {
			fmt.Fprintf(s.trace, "> %d %x\n", e.Conn, e.Bytes)
		}
		if h := s.conns[e.Conn]; h != nil {
			h.inbox = append(h.inbox, e.Bytes)
		}
	case hub.Close:
		if h := s.conns[e.Conn]; h != nil {
			h.closing = &e
		}
	case hub.List:
		return e.In(ctx, s.store, s.siteID())
	case hub.Load:
		changes, held, err := s.store.Load(ctx, s.siteID(), e.Doc)
		return hub.Loaded{Doc: e.Doc, Changes: changes, Held: held, Err: err}
	case hub.Look:
		return s.look(ctx, e)
	case hub.Append:
		return hub.Appended{Token: e.Token, Err: s.store.Append(ctx, e.Batch)}
	case hub.Keep:
		err := e.In(ctx, s.store, s.siteID())
		if err == nil {
			s.quarantine = append(s.quarantine, e.Quarantined...)
		}
		return hub.Kept{Token: e.Token, Err: err}
	case hub.Done:
		s.done[e.Token] = e.Err
	case hub.Trouble:
		s.trouble = append(s.trouble, fmt.Sprintf("%s: %v", e.Doc, e.Err))
	}
	return nil
}

func (s *server) look(ctx context.Context, e hub.Look) hub.Event {
	answer := hub.Looked{Token: e.Token, Authors: map[string]admit.Author{}}
	answer.Actors, answer.Err = s.store.ActorDevices(ctx, s.siteID(), e.Actors)
	for _, device := range e.Devices {
		a, ok, err := s.store.AuthorOf(ctx, s.siteID(), device)
		answer.Err = errors.Join(answer.Err, err)
		if ok {
			answer.Authors[device] = a
		}
	}
	return answer
}

func (s *server) siteID() string { return siteID }

// write has the server write entries of one month, or items of the plan.
func (s *server) write(ask func(token hub.Token) hub.Event) error {
	s.lastToken++
	s.step(ask(s.lastToken))
	err, answered := s.done[s.lastToken]
	if !answered {
		return errors.New("the hub did not answer")
	}
	return err
}

// backup is what a copy of the database held.
type backup struct {
	site  string
	batch []hub.Batch
	held  []hub.HeldChange
}

// backUp reads all documents of the store.
func (s *server) backUp() (*backup, error) {
	ctx := context.Background()
	docs, err := s.store.Documents(ctx, s.siteID())
	if err != nil {
		return nil, err
	}
	b := &backup{site: s.siteID()}
	for _, d := range docs {
		changes, held, err := s.store.Load(ctx, s.siteID(), d.Name)
		if err != nil {
			return nil, err
		}
		b.batch = append(b.batch, hub.Batch{Site: s.siteID(), Doc: d.Name, DocID: d.ID, Changes: changes, Now: s.now()})
		b.held = append(b.held, held...)
	}
	return b, nil
}

// into puts what a backup held into a store.
func (b *backup) into(store *keep) error {
	for _, batch := range b.batch {
		batch.Changes = slices.Clone(batch.Changes)
		if err := store.Append(context.Background(), batch); err != nil {
			return fmt.Errorf("restoring %s: %w", batch.Doc, err)
		}
	}
	return store.Hold(context.Background(), b.site, b.held)
}
