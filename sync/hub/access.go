package hub

import (
	"context"
	"maps"
	"slices"

	"gatewright/sync/admit"
)

// In does what Access asks for; until gives the end of the site's restore
// window (ms), 0 for none, and may be nil.
func (a Access) In(ctx context.Context, store Store, site string, until func(context.Context, string) (int64, error)) Accessed {
	ev := Accessed{Turn: a.Turn}
	for _, device := range a.Devices {
		author, ok, err := store.AuthorOf(ctx, site, device)
		if err != nil {
			return Accessed{Turn: a.Turn, Err: err}
		}
		switch {
		case ok && author.Revoked != 0:
			ev.Revoked = append(ev.Revoked, device)
		case ok && !author.Present(a.Now):
			ev.Ended = append(ev.Ended, device)
		}
	}
	if until != nil {
		ev.Until, ev.Err = until(ctx, site)
	}
	return ev
}

// askAccess asks what another node may have been told: which of the devices
// that are connected here were revoked, on which everybody's access has ended,
// and whether a restore window is open.
// Nobody hints at that, and a phone that only reads is judged by nothing else.
func (s *Site) askAccess() {
	s.accessAt, s.accessing = s.now, true
	devices := map[string]bool{}
	for _, c := range s.conns {
		devices[c.identity.Device] = true
	}
	delete(devices, admit.ServerDevice)
	s.emit(Access{Turn: s.turn, Now: s.now, Devices: slices.Sorted(maps.Keys(devices))})
}

func (s *Site) onAccessed(ev Accessed) {
	s.accessing = false
	if ev.Err != nil {
		s.stats.Failures++
		s.emit(Trouble{Err: ev.Err})
		return // Tick asks again
	}
	for _, device := range ev.Revoked {
		s.revoke(device)
	}
	for _, device := range ev.Ended {
		s.drop(Drop{Device: device})
	}
	// An answer that is older than what was said here says nothing.
	if ev.Turn == s.turn && ev.Until != s.restoreUntil && max(ev.Until, s.restoreUntil) > s.now {
		s.onRestore(Restore{Until: ev.Until})
	}
}
