package sqlitestore

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"

	"gatewright/sync/admit"
)

// The tests of durability run this program again as another process, which
// they watch or kill.
const (
	childTask = "GATEWRIGHT_TEST_TASK" // append or chains
	childPath = "GATEWRIGHT_TEST_PATH"
	childSync = "GATEWRIGHT_TEST_SYNCHRONOUS" // "" = as in service
)

func TestMain(m *testing.M) {
	if task := os.Getenv(childTask); task != "" {
		if err := child(task); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func child(task string) error {
	ctx := context.Background()
	mode := os.Getenv(childSync)
	db, err := Open(ctx, os.Getenv(childPath), Options{synchronous: mode, unchecked: mode != ""})
	if err != nil {
		return err
	}
	switch task {
	case "append":
		say("before")
		if err := db.Append(ctx, chain("a", 1)); err != nil {
			return err
		}
		say("after")
		return db.Close()
	case "chains":
		failed := make(chan error)
		for w := range 4 {
			go func() {
				for n := 1; ; n++ {
					// what an earlier child stored is repeated, which is no error
					if err := db.Append(ctx, chain(fmt.Sprintf("w%d", w), n)); err != nil {
						failed <- err
						return
					}
					say(fmt.Sprintf("stored %d %d", w, n))
				}
			}()
		}
		return <-failed
	}
	return errors.New("no such task: " + task)
}

var saying sync.Mutex

// say writes a line in one system call.
func say(line string) {
	saying.Lock()
	defer saying.Unlock()
	if _, err := os.Stdout.WriteString(line + "\n"); err != nil {
		os.Exit(2)
	}
}

func childCommand(t *testing.T, task, path, synchronous string, wrap ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	args := append(wrap, self)
	cmd := exec.CommandContext(t.Context(), args[0], args[1:]...)
	cmd.Env = append(os.Environ(), childTask+"="+task, childPath+"="+path, childSync+"="+synchronous)
	return cmd
}

// seeded is the path of a closed database with a site and a device.
func seeded(t *testing.T) string {
	t.Helper()
	db, path := ready(t)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// Between the last byte that an Append writes to the log and its answer, the
// kernel was told to put the log on the disk, and said that it had. With less
// than full synchronisation the same look finds nothing, so it can see.
func TestTheDiskIsSyncedBeforeTheAnswer(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("NOT CHECKED: that the disk is synced before an append is answered needs strace, which is not installed")
	}
	for _, c := range []struct {
		mode   string
		synced bool
	}{{"", true}, {"OFF", false}, {"NORMAL", false}} {
		t.Run("synchronous "+c.mode, func(t *testing.T) {
			path := seeded(t)
			trace := filepath.Join(t.TempDir(), "trace")
			cmd := childCommand(t, "append", path, c.mode,
				strace, "-f", "-y", "-s", "16", "-e", "trace=write,writev,pwrite64,pwritev,pwritev2,fsync,fdatasync", "-o", trace)
			if out, err := cmd.CombinedOutput(); err != nil {
				if bytes.Contains(out, []byte("ptrace")) {
					t.Skipf("NOT CHECKED: strace may not trace here: %s", out)
				}
				t.Fatalf("%v\n%s", err, out)
			}
			lines, err := os.ReadFile(trace)
			if err != nil {
				t.Fatal(err)
			}
			writes, synced, err := watch(string(lines))
			if err != nil {
				t.Fatalf("%v in\n%s", err, lines)
			}
			if writes == 0 {
				t.Errorf("the append wrote nothing to the log:\n%s", lines)
			}
			if synced != c.synced {
				t.Errorf("after %d writes to the log and before the answer: synced %v, want %v\n%s", writes, synced, c.synced, lines)
			}
		})
	}
}

var (
	traceLine = regexp.MustCompile(`^(\d+) +(?:<\.\.\. )?(\w+)(?:\(| resumed>)`)
	traceFile = regexp.MustCompile(`\(\d+<([^>]*)>`)
)

// watch reads the trace of a child's append: how many times the log was
// written between the two marks, and whether a sync of the log began after the
// last of them and succeeded before the second mark.
func watch(trace string) (writes int, synced bool, err error) {
	const outside, inside, past = 0, 1, 2
	at := outside
	began := map[string]int{} // process -> writes seen when its sync began
	for line := range strings.Lines(trace) {
		m := traceLine.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		pid, call := m[1], m[2]
		file := ""
		if f := traceFile.FindStringSubmatch(line); f != nil {
			file = f[1]
		}
		log := strings.HasSuffix(file, "-wal")
		switch {
		case call == "write" && strings.Contains(line, `"before\n"`):
			at = inside
		case call == "write" && strings.Contains(line, `"after\n"`):
			if at != inside {
				return 0, false, errors.New("the marks are out of order")
			}
			at = past
		case at != inside:
		case strings.Contains(call, "write") && log:
			writes++
			synced = false
		case call == "fsync" || call == "fdatasync":
			if log {
				began[pid] = writes
			}
			if strings.Contains(line, "unfinished") {
				continue
			}
			seen, ok := began[pid]
			delete(began, pid)
			if ok && seen == writes && strings.HasSuffix(strings.TrimSpace(line), "= 0") {
				synced = true
			}
		}
	}
	if at != past {
		return 0, false, errors.New("the marks are missing")
	}
	return writes, synced, nil
}

// The reading of traces, on traces written by hand.
func TestWatch(t *testing.T) {
	const before, after = "1 write(1<pipe:[1]>, \"before\\n\", 7) = 7\n", "1 write(1<pipe:[1]>, \"after\\n\", 6) = 6\n"
	const wrote = "2 pwrite64(5</x/g.db-wal>, \"..\", 24, 0) = 24\n"
	const synced = "2 fdatasync(5</x/g.db-wal>)     = 0\n"
	for _, c := range []struct {
		name, trace string
		want        bool
	}{
		{"plain", before + wrote + synced + after, true},
		{"in two lines", before + wrote + "2 fsync(5</x/g.db-wal> <unfinished ...>\n3 write(4</y>, \"\", 0) = 0\n2 <... fsync resumed>) = 0\n" + after, true},
		{"none", before + wrote + after, false},
		{"too early", before + synced + wrote + after, false},
		{"too late", before + wrote + after + synced, false},
		{"written while it ran", before + "2 fsync(5</x/g.db-wal> <unfinished ...>\n" + strings.Replace(wrote, "2", "3", 1) + "2 <... fsync resumed>) = 0\n" + after, false},
		{"not finished", before + wrote + "2 fsync(5</x/g.db-wal> <unfinished ...>\n" + after + "2 <... fsync resumed>) = 0\n", false},
		{"failed", before + wrote + "2 fdatasync(5</x/g.db-wal>) = -1 EIO (Input/output error)\n" + after, false},
		{"another file", before + wrote + "2 fdatasync(4</x/g.db>) = 0\n" + after, false},
	} {
		if _, got, err := watch(c.trace); err != nil || got != c.want {
			t.Errorf("%s: %v, %v; want %v", c.name, got, err, c.want)
		}
	}
	if _, _, err := watch(before + wrote + synced); err == nil {
		t.Error("no second mark: no error")
	}
}

// What was answered is there after a kill, and nothing by half. (This says
// nothing about the disk: the kernel keeps what a killed process wrote.)
func TestKilled(t *testing.T) {
	path := seeded(t)
	acknowledged := make([]int, 4)
	for round := range 3 {
		from := slices.Max(acknowledged)
		cmd := childCommand(t, "chains", path, "")
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			var w, batch int
			if _, err := fmt.Sscanf(lines.Text(), "stored %d %d", &w, &batch); err != nil {
				t.Fatalf("%q: %v", lines.Text(), err)
			}
			acknowledged[w] = max(acknowledged[w], batch)
			if acknowledged[w] > from+40+17*round {
				_ = cmd.Process.Kill() // and read what it said until then
			}
		}
		if err := cmd.Wait(); err == nil {
			t.Fatal("the child ended by itself")
		}
		db, err := Open(t.Context(), path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for w, n := range acknowledged {
			if got := stored(t, db, fmt.Sprintf("w%d", w)); got < n {
				t.Errorf("round %d: of %d batches acknowledged to writer %d, %d are there", round, n, w, got)
			}
		}
		sound(t, db)
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("acknowledged: %v", acknowledged)
}

// sound has SQLite check the file and the references in it.
func sound(t *testing.T, db *DB) {
	t.Helper()
	var verdict string
	if err := db.Reader().QueryRow("PRAGMA integrity_check").Scan(&verdict); err != nil || verdict != "ok" {
		t.Errorf("integrity_check: %s, %v", verdict, err)
	}
	rows, err := db.Reader().Query("PRAGMA foreign_key_check")
	if err != nil {
		t.Fatal(err)
	}
	if rows.Next() {
		t.Error("foreign_key_check: a reference is broken")
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		t.Error(err)
	}
}

// A log cut short or damaged, as a lost sector leaves it, gives back whole
// batches from the first on, up to the damage.
func TestDamagedLog(t *testing.T) {
	path := seeded(t)
	db := open(t, path, Options{})
	const batches = 12
	for n := range batches {
		if err := db.Append(t.Context(), chain("a", n+1)); err != nil {
			t.Fatal(err)
		}
	}
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	log, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	reopen := func(name string, log []byte) (n int) {
		t.Helper()
		copied := filepath.Join(t.TempDir(), "copy.db")
		for suffix, b := range map[string][]byte{"": file, "-wal": log} {
			if err := os.WriteFile(copied+suffix, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		db, err := Open(t.Context(), copied, Options{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			return -1
		}
		n = stored(t, db, "a")
		sound(t, db)
		// It goes on from there.
		if err := db.Append(t.Context(), chain("a", n+1)); err != nil || stored(t, db, "a") != n+1 {
			t.Errorf("%s: going on after %d batches: %v", name, n, err)
		}
		if err := db.Close(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		return n
	}
	if n := reopen("whole", log); n != batches {
		t.Errorf("of the whole log %d batches came back", n)
	}
	frame := 24 + int(binary.BigEndian.Uint32(log[8:]))
	random := rand.New(rand.NewPCG(1, 2))
	last := 0
	for cut := 0; cut < len(log); cut += frame + random.IntN(3*frame) {
		n := reopen(fmt.Sprintf("cut at %d of %d", cut, len(log)), log[:cut])
		if n < last {
			t.Errorf("a longer log gave fewer batches: %d, then %d", last, n)
		}
		last = n
	}
	if last == 0 || last == batches {
		t.Errorf("the cuts tell nothing: %d batches at the last", last)
	}
	for range 12 {
		damaged := bytes.Clone(log)
		at := random.IntN(len(log))
		damaged[at] ^= 1 << random.IntN(8)
		reopen(fmt.Sprintf("bit changed at %d of %d", at, len(log)), damaged)
	}
}

// A small disk fills up: the answer says so, what was acknowledged before is
// there, and with room again it goes on.
func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=1m"); err != nil {
		t.Skipf("NOT CHECKED: a full disk, since none can be mounted here: %v", err)
	}
	defer func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Errorf("unmounting: %v", err)
		}
	}()
	path := filepath.Join(dir, "gatewright.db")
	db, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	putSite(t, db, "s1")
	putDevice(t, db, "s1", admit.Author{Device: "d1"})
	n, failure := 0, error(nil)
	for failure == nil && n < 1000 {
		b := chain("a", n+1)
		b.Changes[0].Bytes = make([]byte, 10_000)
		if failure = db.Append(t.Context(), b); failure == nil {
			n++
		}
	}
	if !errors.Is(failure, ErrFull) {
		t.Fatalf("after %d batches: %v, want ErrFull", n, failure)
	}
	if got := stored(t, db, "a"); got != n {
		t.Errorf("%d batches acknowledged, %d are there", n, got)
	}
	// The same files on a larger disk, without a clean end.
	roomy := filepath.Join(t.TempDir(), "gatewright.db")
	for _, suffix := range []string{"", "-wal"} {
		copyFile(t, path+suffix, roomy+suffix)
	}
	moved := open(t, roomy, Options{})
	if got := stored(t, moved, "a"); got != n {
		t.Errorf("%d batches acknowledged, %d are there on the larger disk", n, got)
	}
	sound(t, moved)

	if err := syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT, "size=16m"); err != nil {
		t.Fatal(err)
	}
	if err := db.Append(t.Context(), chain("a", n+1)); err != nil || stored(t, db, "a") != n+1 {
		t.Errorf("with room again: %v", err)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	out, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	_, err = io.Copy(out, in)
	if err := errors.Join(err, out.Close()); err != nil {
		t.Fatal(err)
	}
}
