package crash

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
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
