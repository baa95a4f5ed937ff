package main

import (
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/pack"
)

// The database is checked beside a running server, and after it was damaged.
func TestCheck(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	s := start(t, "demo", "--data", data, "--port", "0")
	if got := ok(t, "check", "--data", data); !strings.HasPrefix(got, "1 site, ") || !strings.HasSuffix(got, ": nothing wrong\n") || strings.Count(got, "\n") != 1 {
		t.Errorf("beside the server: %q", got)
	}
	s.stop(t, syscall.SIGTERM)
	if got := ok(t, "check", "--data", data, "--site", "demo"); !strings.Contains(got, "nothing wrong") {
		t.Errorf("after it: %q", got)
	}

	// Months that have ended long ago are packed, and the check finds them whole.
	old, err := sql.Open("sqlite", filepath.Join(data, "gatewright.db"))
	if err != nil {
		t.Fatal(err)
	}
	var due int
	if err := old.QueryRow(`SELECT COUNT(*) FROM documents WHERE name < $1`, "log/"+time.Now().UTC().Add(-pack.Rest).Format("2006-01")).Scan(&due); err != nil {
		t.Fatal(err)
	}
	if err := old.Close(); err != nil {
		t.Fatal(err)
	}
	if got := ok(t, "pack", "--data", data); due > 0 && got != fmt.Sprintf("packed %d\n", due) {
		t.Errorf("pack says %q, want %d packed", got, due)
	}
	if got := ok(t, "check", "--data", data); !strings.Contains(got, fmt.Sprintf("(%d packed)", due)) || !strings.Contains(got, "nothing wrong") {
		t.Errorf("packed: %q, want %d packed", got, due)
	}
	if got := ok(t, "pack", "--data", data); got != "" {
		t.Errorf("packing again says %q", got)
	}

	db, err := sql.Open("sqlite", filepath.Join(data, "gatewright.db"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(`UPDATE documents SET heads = x'' WHERE name = 'plan'`); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	code, stdout, stderr := run(t, "check", "--data", data)
	if lines := strings.Split(stdout, "\n"); code != 1 || len(lines) != 3 || !strings.HasPrefix(lines[0], "demo, plan: its heads ") || !strings.HasSuffix(lines[1], ": 1 finding") {
		t.Errorf("damaged: exit code %d, %q, %q", code, stdout, stderr)
	}

	garbage := t.TempDir()
	if err := os.WriteFile(filepath.Join(garbage, "gatewright.db"), []byte(strings.Repeat("no database ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	for what, args := range map[string][]string{
		"no database":  {"check", "--data", t.TempDir()},
		"garbage":      {"check", "--data", garbage},
		"no such site": {"check", "--data", data, "--site", "elsewhere"},
	} {
		if code, stdout, stderr := run(t, args...); code != 2 || stdout != "" || strings.Count(stderr, "\n") != 1 {
			t.Errorf("%s: exit code %d, %q, %q", what, code, stdout, stderr)
		}
	}
}

// A pass leaves the month to the node that has the lease, and gives it back.
func TestPackPass(t *testing.T) {
	h, err := open(t.Context(), t.TempDir(), quiet())
	if err != nil {
		t.Fatal(err)
	}
	defer h.close()
	now := time.Now()
	site, err := h.accounts.CreateSite(t.Context(), "brook", "Sallow Brook", "Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	err = h.db.Append(t.Context(), hub.Batch{Site: site.ID, Doc: "log/2020-01", DocID: "old", Changes: []hub.StoredChange{
		{Hash: change.Hash{1}, Actor: "a", Seq: 1, Bytes: []byte{1}, Device: admit.ServerDevice}}})
	if err != nil {
		t.Fatal(err)
	}
	other, _, err := h.db.Acquire(t.Context(), "pack", "other", now.UnixMilli(), now.Add(time.Hour).UnixMilli())
	if err != nil {
		t.Fatal(err)
	}
	if n, err := h.packSome(t.Context()); n != 0 || err != nil {
		t.Errorf("while another node is at it: packed %d, %v", n, err)
	}
	if _, err := h.db.Release(t.Context(), other); err != nil {
		t.Fatal(err)
	}
	if n, err := h.packSome(t.Context()); n != 1 || err != nil {
		t.Errorf("packed %d, %v; want 1", n, err)
	}
	if _, ok, err := h.db.Acquire(t.Context(), "pack", "other", now.UnixMilli(), now.Add(time.Hour).UnixMilli()); !ok || err != nil {
		t.Errorf("the lease was not given back: %v", err)
	}
}
