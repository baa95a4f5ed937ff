package crash

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"gatewright/sync/pgstore/pgtest"
)

var program string

func TestMain(m *testing.M) {
	os.Exit(run(m))
}

func run(m *testing.M) int {
	folder, err := os.MkdirTemp("", "gatewright-crash-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(folder)
	if program, err = Build(context.Background(), folder); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return m.Run()
}

func TestKill(t *testing.T) {
	res, err := Kill(t.Context(), program, NewSQLite(filepath.Join(t.TempDir(), "data")),
		KillPlan{Plan: Plan{Sites: 2, Phones: 4, Seed: 1, Log: t.Output()}, Kills: 5})
	t.Logf("%+v", res)
	if err != nil {
		t.Fatal(err)
	}
	if res.Kills != 5 || res.Acknowledged < 100 {
		t.Errorf("%d kills and %d entries acknowledged show nothing", res.Kills, res.Acknowledged)
	}
}

func TestKillPostgres(t *testing.T) {
	store, err := NewPostgres(t.Context(), t.TempDir(), "", nil)
	if errors.Is(err, pgtest.ErrMissing) && os.Getenv(pgtest.Needed) == "" {
		t.Skipf("NOT CHECKED: kills on PostgreSQL: %v", err)
	} else if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	}()
	res, err := Kill(t.Context(), program, store, KillPlan{Plan: Plan{Sites: 2, Phones: 4, Seed: 4, Log: t.Output()}, Kills: 4})
	t.Logf("%+v", res)
	if err != nil {
		t.Fatal(err)
	}
	if res.Kills != 4 || res.StoreKills == 0 || res.Acknowledged < 50 {
		t.Errorf("%d kills, %d of the database, and %d entries acknowledged show nothing", res.Kills, res.StoreKills, res.Acknowledged)
	}
}

func TestFull(t *testing.T) {
	res, err := Full(t.Context(), program, onSQLite, FullPlan{Plan: Plan{Sites: 2, Phones: 3, Seed: 2, Log: t.Output()}, Room: 2 << 20})
	if errors.Is(err, ErrNoMount) {
		t.Skipf("NOT CHECKED: a full disk: %v", err)
	}
	t.Logf("%+v", res)
	if err != nil {
		t.Fatal(err)
	}
	if res.Acknowledged < 20 || len(res.PutOff) == 0 {
		t.Errorf("%d entries acknowledged, and phones were put off with %v: that shows nothing", res.Acknowledged, res.PutOff)
	}
}

func onSQLite(folder string) (Store, error) { return NewSQLite(filepath.Join(folder, "data")), nil }

func TestDamage(t *testing.T) {
	res, err := Damage(t.Context(), program, t.TempDir(), DamagePlan{Plan: Plan{Sites: 2, Phones: 3, Seed: 3, Log: t.Output()}, Logs: 12, Pages: 3, Random: 3})
	t.Logf("%+v", res)
	if err != nil {
		t.Fatal(err)
	}
	if number(res.Facts["losses_said"]) == 0 || number(res.Facts["nothing_lost"]) == 0 || number(res.Facts["changes_damaged_and_found"]) == 0 {
		t.Errorf("%v: not every kind of damage was seen", res.Facts)
	}
}
