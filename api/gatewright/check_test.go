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
