package accounts_test

import (
	"sync"
	"sync/atomic"
	"testing"

	"gatewright/api/accounts"
)

// After an outage all phones come at once: each gets its challenge and its ticket.
func TestAllPhonesAtOnce(t *testing.T) {
	h := newHouse(t)
	s := h.site(t, "brook")
	const phones = 200
	var devices []string
	p, err := h.AddPerson(t.Context(), s.ID, "Dan", accounts.Grant{Role: "crew", From: h.ms()})
	if err != nil {
		t.Fatal(err)
	}
	for range 20 {
		d, err := h.AddScriptDevice(t.Context(), s.ID, p.ID, "script")
		if err != nil {
			t.Fatal(err)
		}
		devices = append(devices, d)
	}
	var all sync.WaitGroup
	var failed atomic.Int64
	for i := range phones {
		all.Go(func() {
			device := devices[i%len(devices)]
			challenge, _, err := h.Challenge(t.Context(), device)
			if err == nil {
				err = h.SpendChallenge(t.Context(), device, challenge)
			}
			var ticket string
			if err == nil {
				ticket, err = h.NewTicket(t.Context(), accounts.Ticket{Site: s.ID, Device: device, Expires: h.ms() + 60_000})
			}
			if err == nil {
				_, err = h.UseTicket(t.Context(), ticket)
			}
			if err == nil {
				err = h.Seen(t.Context(), device, 0)
			}
			if err != nil && failed.Add(1) < 4 {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if n := failed.Load(); n > 0 {
		t.Errorf("%d of %d failed", n, phones)
	}
}
