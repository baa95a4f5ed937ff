package memstore_test

import (
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
	"gatewright/sync/storetest"
)

func TestContract(t *testing.T) {
	storetest.Run(t, func(*testing.T) storetest.Backend {
		s := memstore.New()
		return storetest.Backend{
			Store:   s,
			PutSite: func(_ storetest.TB, site string) { s.PutSite(site) },
			PutDevice: func(t storetest.TB, site string, a admit.Author) {
				if err := s.PutDevice(site, a); err != nil {
					t.Fatalf("PutDevice: %v", err)
				}
			},
			Revoke: func(t storetest.TB, site, device string, at int64) {
				if !s.Revoke(site, device, at) {
					t.Fatalf("no device %s", device)
				}
			},
			Wake:        func(_ storetest.TB, site string) (int64, bool) { return s.Wake(site) },
			Quarantined: func(_ storetest.TB, site string) []hub.Quarantined { return s.Quarantined(site) },
		}
	})
}

func TestDeviceOfNoSite(t *testing.T) {
	s := memstore.New()
	if err := s.PutDevice("s1", admit.Author{Device: "d1"}); err == nil {
		t.Error("a device was put at a site that is not there")
	}
	if s.Revoke("s1", "d1", 1) {
		t.Error("a device that is not there was revoked")
	}
}
