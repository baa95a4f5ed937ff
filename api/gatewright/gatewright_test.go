package main

import (
	"bufio"
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The tests run the program itself: this very binary, told by the environment to be gatewright.
const asProgram = "GATEWRIGHT_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
		return
	}
	os.Exit(m.Run())
}

func command(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.CommandContext(t.Context(), self, args...)
	c.Env = append(os.Environ(), asProgram+"=1")
	return c
}

// run gives the exit code and what was written.
func run(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	return finish(t, command(t, args...))
}

func finish(t *testing.T, c *exec.Cmd) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	c.Stdout, c.Stderr = &out, &errs
	err := c.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), out.String(), errs.String()
}

func ok(t *testing.T, args ...string) string {
	t.Helper()
	code, stdout, stderr := run(t, args...)
	if code != 0 {
		t.Fatalf("gatewright %s: exit code %d: %s", strings.Join(args, " "), code, stderr)
	}
	return stdout
}

// server is gatewright serve, or demo, at work.
type server struct {
	cmd    *exec.Cmd
	said   []string // what it printed before it was ready
	origin string
	stderr *bytes.Buffer
	rest   chan struct{}
}

func start(t *testing.T, args ...string) *server {
	t.Helper()
	s := &server{cmd: command(t, args...), stderr: &bytes.Buffer{}, rest: make(chan struct{})}
	s.cmd.Stderr = s.stderr
	pipe, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(pipe)
	for lines.Scan() {
		if origin, ready := strings.CutPrefix(lines.Text(), "ready "); ready {
			s.origin = origin
			go func() { _, _ = io.Copy(io.Discard, pipe); close(s.rest) }()
			return s
		}
		s.said = append(s.said, lines.Text())
	}
	err = s.cmd.Wait()
	t.Fatalf("gatewright %s did not become ready: %v: %s", strings.Join(args, " "), err, s.stderr)
	return nil
}

// stop asks it to end, as Ctrl-C or a service manager does, and wants that to be no failure.
func (s *server) stop(t *testing.T, how os.Signal) {
	t.Helper()
	begun := time.Now()
	if err := s.cmd.Process.Signal(how); err != nil {
		t.Fatal(err)
	}
	<-s.rest
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("stopped by %v: %v: %s", how, err, s.stderr)
	}
	if d := time.Since(begun); d > 8*time.Second {
		t.Errorf("stopping took %v", d)
	}
}

func TestVersion(t *testing.T) {
	if got := ok(t, "version"); got != "gatewright development\n" {
		t.Errorf("version prints %q", got)
	}
}

var joinLink = regexp.MustCompile(`(http://localhost:\d+)/join#([0-9A-HJKMNP-TV-Z]{20})\b`)

// From an empty folder to a script's ticket.
func TestConsole(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	s := start(t, "serve", "--data", data, "--port", "0")
	res, err := http.Get(s.origin + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	_ = res.Body.Close()
	if res.StatusCode != 200 {
		t.Errorf("healthz: %s", res.Status)
	}
	made := ok(t, "site", "--data", data, "--slug", "brook", "--name", "Sallow Brook", "--zone", "Europe/Dublin")
	link := joinLink.FindStringSubmatch(made)
	if link == nil || link[1] != s.origin {
		t.Fatalf("site prints %q; want a link at %s", made, s.origin)
	}
	join(t, s.origin, link[2], "Maeve Tully")
	for _, args := range [][]string{{"--role", "crew"}, {"--role", "viewer", "--name", "Vera"}, {"--person", "Maeve Tully"}} {
		if got := ok(t, append([]string{"invite", "--data", data, "--site", "brook"}, args...)...); !joinLink.MatchString(got) {
			t.Errorf("invite %v prints %q", args, got)
		}
	}

	var docs struct {
		Name, URL string
		Heads     []string
	}
	if err := json.Unmarshal([]byte(ok(t, "docs", "--data", data, "--site", "brook")), &docs); err != nil || docs.Name != "plan" || !strings.HasPrefix(docs.URL, "automerge:") || len(docs.Heads) != 1 {
		t.Errorf("docs: %+v, %v", docs, err)
	}
	var ticket struct {
		Socket, Person, Device string
		Documents              map[string]string
	}
	if err := json.Unmarshal([]byte(ok(t, "ticket", "--data", data, "--site", "brook", "--person", "Maeve Tully")), &ticket); err != nil {
		t.Fatal(err)
	}
	month := "log/" + time.Now().UTC().Format("2006-01")
	if !strings.HasPrefix(ticket.Socket, "ws"+strings.TrimPrefix(s.origin, "http")+"/sync/v1?ticket=") || ticket.Person == "" || ticket.Device == "" ||
		ticket.Documents["plan"] != docs.URL || ticket.Documents[month] == "" {
		t.Errorf("ticket: %+v", ticket)
	}
	at := time.Now().Add(24 * time.Hour).UTC()
	byText, byNumber := ok(t, "rules", "--data", data, "--site", "brook", "--at", at.Format(time.RFC3339)),
		ok(t, "rules", "--data", data, "--site", "brook", "--at", fmt.Sprint(at.Truncate(time.Second).UnixMilli()))
	if byText != byNumber || !json.Valid([]byte(byText)) || !strings.Contains(byText, `"due":[{`) {
		t.Errorf("rules: %q and %q", byText, byNumber)
	}
	s.stop(t, syscall.SIGTERM)

	for _, c := range []struct {
		what string
		args []string
		says string
	}{
		{"a zone that is none", []string{"site", "--slug", "hill", "--name", "Hill", "--zone", "Europe/Nowhere"}, "zone"},
		{"no zone", []string{"site", "--slug", "hill", "--name", "Hill"}, "zone"},
		{"a bad slug", []string{"site", "--slug", "Hill!", "--name", "Hill", "--zone", "Europe/Dublin"}, "slug"},
		{"a slug that is taken", []string{"site", "--slug", "brook", "--name", "Hill", "--zone", "Europe/Dublin"}, "slug"},
		{"no name", []string{"site", "--slug", "hill", "--zone", "Europe/Dublin"}, "name"},
		{"rules at garbage", []string{"rules", "--site", "brook", "--at", "garbage"}, "at"},
		{"rules in 1999", []string{"rules", "--site", "brook", "--at", "1999-12-31T00:00:00Z"}, "at"},
		{"rules of no site", []string{"rules", "--site", "nowhere"}, "site"},
		{"a ticket for nobody", []string{"ticket", "--site", "brook", "--person", "Nobody"}, "person"},
		{"a ticket at no site", []string{"ticket", "--site", "nowhere", "--person", "Maeve Tully"}, "site"},
		{"an invitation for an unknown role", []string{"invite", "--site", "brook", "--role", "owner"}, "role"},
		{"an invitation for nobody", []string{"invite", "--site", "brook", "--person", "Nobody"}, "person"},
		{"docs of no site", []string{"docs"}, "site"},
		{"a flag that is none", []string{"docs", "--colour", "red"}, "colour"},
	} {
		refuses(t, c.what, command(t, append(c.args, "--data", data)...), c.says)
	}
	if got := ok(t, "docs", "--data", data, "--site", "brook"); strings.Count(got, "\n") != 1 {
		t.Errorf("after all that: %q", got)
	}
	refuses(t, "a site of which nothing was kept", command(t, "docs", "--data", data, "--site", "hill"), "site")
}

func refuses(t *testing.T, what string, c *exec.Cmd, says string) {
	t.Helper()
	code, stdout, stderr := finish(t, c)
	if code != 2 || stdout != "" {
		t.Errorf("%s: exit code %d, %q; want 2 and nothing on stdout", what, code, stdout)
	}
	if !strings.HasPrefix(stderr, "gatewright: ") || !strings.HasSuffix(stderr, ".\n") || strings.Count(stderr, "\n") != 1 || !strings.Contains(stderr, says) {
		t.Errorf("%s: %q; want one sentence about %s", what, stderr, says)
	}
}

func join(t *testing.T, origin, code, name string) {
	t.Helper()
	public, _, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	body, err := json.Marshal(map[string]any{"code": code, "name": name, "device": map[string]any{"public_key": base64.RawURLEncoding.EncodeToString(public)}})
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.Post(origin+"/api/v1/join", "application/json", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if said, _ := io.ReadAll(res.Body); res.StatusCode != 200 {
		t.Fatalf("join: %s %s", res.Status, said)
	}
}

func TestServeRefuses(t *testing.T) {
	data := t.TempDir()
	for what, port := range map[string]string{"beyond the ports": "65536", "below": "-1", "a word": "http", "nothing": "", "a huge number": "99999999999999999999"} {
		for _, verb := range []string{"serve", "demo"} {
			refuses(t, verb+" on a port that is "+what, command(t, verb, "--data", data, "--port", port), "port")
		}
	}
	env := command(t, "serve", "--data", data)
	env.Env = append(env.Env, "GATEWRIGHT_PORT=eighty")
	refuses(t, "a port of the environment that is none", env, "Port")
	refuses(t, "the console on an empty folder", command(t, "docs", "--data", data, "--site", "x"), "--data")
	if left, err := os.ReadDir(data); err != nil || len(left) != 0 {
		t.Errorf("refused commands left %v, %v", left, err)
	}
}

// The demo seeds once and gives a fresh link to everybody at each start.
func TestDemo(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	used := map[string]bool{}
	var docs string
	for start1 := range 2 {
		s := start(t, "demo", "--data", data, "--port", "0")
		codes := joinLink.FindAllStringSubmatch(strings.Join(s.said, "\n"), -1)
		if len(codes) != 5 {
			t.Fatalf("demo prints %q; want five links", s.said)
		}
		for _, c := range codes {
			if used[c[2]] || c[1] != s.origin {
				t.Errorf("link %s is an old one, or not at %s", c[0], s.origin)
			}
			used[c[2]] = true
		}
		s.stop(t, os.Interrupt)
		now := ok(t, "docs", "--data", data, "--site", "demo")
		if start1 > 0 && now != docs {
			t.Errorf("the second start changed the documents:\n%s, want\n%s", now, docs)
		}
		docs = now
	}
}
