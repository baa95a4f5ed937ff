package scenario

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/accept"
	"gatewright/sync/hub"
)

// errDied is the end of a server in the middle of its work.
var errDied = errors.New("the server dies")

// Drain has a phone whose access ended hand over all that waits on it.
func (w *World) Drain(h *handset) error {
	for list := h.phone.Draining(100); len(list) > 0; list = h.phone.Draining(100) {
		var kept []hub.Quarantined
		var ids []logbook.EntryID
		for _, p := range list {
			ids = append(ids, p.ID)
			kept = append(kept, hub.Quarantined{ID: "drained " + string(p.ID), Device: h.cfg.Device, Code: "revoked",
				Reason: "The device was revoked before this reached the server.", Entries: []string{p.Raw}, At: w.now})
		}
		if err := w.server.store.Quarantine(context.Background(), w.site, kept); err != nil {
			return err
		}
		w.server.quarantine = append(w.server.quarantine, kept...)
		if err := h.phone.Drained(ids); err != nil {
			return err
		}
	}
	return nil
}

// Accept is a manager who lets in what was refused and holds the entry. The
// server dies just before its n-th write, if n is not 0, and starts anew.
func (w *World) Accept(id logbook.EntryID, n int) error {
	at := slices.IndexFunc(w.server.quarantine, func(q hub.Quarantined) bool {
		return slices.ContainsFunc(q.Entries, func(raw string) bool {
			e, err := logbook.ParseEntry([]byte(raw))
			return err == nil && e.ID == id
		})
	})
	if at < 0 {
		return fmt.Errorf("%s is not in quarantine", id)
	}
	q := w.server.quarantine[at]
	if w.claimed[q.ID] == 0 {
		w.claimed[q.ID] = w.now
	}
	log := accept.Log{Load: w.server.store.Load, Write: func(_ context.Context, _ string, entries [][]byte) error {
		if n--; n == 0 {
			return errDied
		}
		return w.server.writeEntries(entries)
	}}
	_, err := log.In(context.Background(), accept.Item{Site: w.site, Document: q.Doc, Device: q.Device, Entries: q.Entries, At: w.claimed[q.ID]})
	if errors.Is(err, errDied) {
		return w.RestartServer()
	}
	return err
}

// writeEntries has the server write entries, each into its month.
func (s *server) writeEntries(entries [][]byte) error {
	for _, raw := range entries {
		e, err := logbook.ParseEntry(raw)
		if err != nil {
			return err
		}
		if err := s.write(func(t hub.Token) hub.Event {
			return hub.Write{Token: t, Doc: e.ID.Document(), Entries: [][]byte{raw}}
		}); err != nil {
			return err
		}
	}
	return nil
}
