package memstore_test

import (
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/memstore"
	"gatewright/sync/storetest"
)

func TestContract(t *testing.T) {
	storetest.Run(t, func(*testing.T) storetest.Backend { return storetest.Memory() })
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
