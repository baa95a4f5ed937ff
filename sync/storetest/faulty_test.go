package storetest_test

import (
	"errors"
	"testing"

	"gatewright/sync/admit"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
	"gatewright/sync/storetest"
)

func TestFaulty(t *testing.T) {
	mem := memstore.New()
	mem.PutSite("s1")
	if err := mem.PutDevice("s1", admit.Author{Device: "d1"}); err != nil {
		t.Fatal(err)
	}
	own := errors.New("own")
	f := storetest.NewFaulty(mem,
		storetest.Fault{Method: "Append", Call: 2},
		storetest.Fault{Method: "Append", Call: 3, After: true, Err: own},
	)
	batch := func(n byte) hub.Batch {
		return hub.Batch{Site: "s1", Doc: "plan", DocID: "x", Changes: []hub.StoredChange{
			{Hash: [32]byte{n}, Actor: "a", Seq: uint64(n), Device: "d1"},
		}}
	}
	for n, c := range []struct {
		batch  hub.Batch
		want   error
		stored int
	}{
		{batch(1), nil, 1},
		{batch(2), storetest.ErrFault, 1},
		{batch(2), own, 2},
		{batch(2), nil, 2},
		{batch(3), nil, 3},
	} {
		if err := f.Append(t.Context(), c.batch); !errors.Is(err, c.want) {
			t.Errorf("call %d: %v, want %v", n+1, err, c.want)
		}
		changes, _, err := f.Load(t.Context(), "s1", "plan")
		if err != nil || len(changes) != c.stored {
			t.Errorf("after call %d: %d changes, %v; want %d", n+1, len(changes), err, c.stored)
		}
	}
	if f.Calls("Append") != 5 || f.Calls("Load") != 5 || f.Calls("") != 10 {
		t.Errorf("calls: %d, %d, %d", f.Calls("Append"), f.Calls("Load"), f.Calls(""))
	}
	f.Fail(storetest.Fault{Method: "Load"})
	f.Fail(storetest.Fault{Call: 2, Err: own})
	if _, _, err := f.Load(t.Context(), "s1", "plan"); !errors.Is(err, storetest.ErrFault) {
		t.Errorf("Load: %v", err)
	}
	if _, err := f.Documents(t.Context(), "s1"); !errors.Is(err, own) {
		t.Errorf("Documents: %v", err)
	}
}
