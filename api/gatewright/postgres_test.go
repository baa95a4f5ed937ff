package main

import (
	"crypto/rand"
	"encoding/json"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/fasthttp/websocket"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/pgstore"
	"gatewright/sync/pgstore/pgtest"
)

const password = "hay-and-straw"

// onPrivatePostgres points the program at a fresh database; the server lets anybody in, and the address has a
// password nevertheless.
func onPrivatePostgres(t *testing.T) (dsn string) {
	t.Helper()
	u, err := url.Parse(pgtest.Start(t))
	if err != nil {
		t.Fatal(err)
	}
	u.User = url.UserPassword(u.User.Username(), password)
	t.Setenv(databaseVariable, u.String())
	return u.String()
}

// The program on PostgreSQL: two servers on one database make the demo between them, a phone syncs with one of them
// and what it recorded is there, and nothing lies in a data folder.
func TestOnPostgreSQL(t *testing.T) {
	dsn := onPrivatePostgres(t)
	data := filepath.Join(t.TempDir(), "data")
	first := start(t, "demo", "--data", data, "--port", "0")
	if codes := joinLink.FindAllStringSubmatch(strings.Join(first.said, "\n"), -1); len(codes) != 5 {
		t.Fatalf("demo prints %q; want five links", first.said)
	}
	second := start(t, "serve", "--data", data, "--port", "0")
	// The ticket is for the server that started last; it is one database.
	var ticket struct{ Socket, Person, Device string }
	if err := json.Unmarshal([]byte(ok(t, "ticket", "--data", data, "--site", "demo", "--person", demoManager(t, first))), &ticket); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(ticket.Socket, "ws"+strings.TrimPrefix(second.origin, "http")) {
		t.Fatalf("the ticket is for %s, want the server at %s", ticket.Socket, second.origin)
	}
	phone := syncOnce(t, ticket.Socket, demoSite(t, dsn), ticket.Device, ticket.Person, documentsOf(t, data))
	listed := ok(t, "docs", "--data", data, "--site", "demo")
	for _, name := range phone.Documents() {
		heads := phone.Heads(name)
		if len(heads) == 0 || !strings.Contains(listed, `"`+heads[0].String()+`"`) {
			t.Errorf("%s: the phone's heads are %v, the database lists\n%s", name, heads, listed)
		}
	}
	now := time.Now().Truncate(time.Minute).UTC()
	phones, err := phone.Rules(now.UnixMilli())
	if err != nil {
		t.Fatal(err)
	}
	if servers := ok(t, "rules", "--data", data, "--site", "demo", "--at", now.Format(time.RFC3339)); servers != string(phones.AppendJSON(nil))+"\n" {
		t.Error("the phone's rules and the server's give different bytes")
	}
	for _, verb := range []string{"check", "pack"} {
		ok(t, verb, "--data", data)
	}
	for _, s := range []*server{first, second} {
		s.stop(t, syscall.SIGTERM)
		if said := strings.Join(s.said, "\n") + s.stderr.String(); strings.Contains(said, password) {
			t.Errorf("the password was said: %s", said)
		}
	}
	if _, err := os.Stat(data); !os.IsNotExist(err) {
		t.Errorf("there is a data folder: %v", err)
	}
}

// demoManager finds the manager's name in what the demo printed.
func demoManager(t *testing.T, s *server) string {
	t.Helper()
	for _, line := range s.said {
		if name, _, is := strings.Cut(strings.TrimSpace(line), " manager "); is {
			return strings.TrimSpace(name)
		}
	}
	t.Fatalf("no manager in %q", s.said)
	return ""
}

// demoSite finds the demo's id.
func demoSite(t *testing.T, dsn string) (site string) {
	t.Helper()
	db, err := pgstore.Open(t.Context(), dsn, pgstore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Reader().QueryRow(`SELECT id FROM sites WHERE slug = 'demo'`).Scan(&site); err != nil {
		t.Fatal(err)
	}
	return site
}

// syncOnce has a phone fetch everything, record a note and see it acknowledged.
func syncOnce(t *testing.T, socket, site, device, person string, documents []string) *phonesim.Phone {
	t.Helper()
	c := call(t, socket, site, device)
	c.all = documents
	defer c.ws.Close()
	c.until(t, "the plan", func() bool { return len(c.Changes(logbook.PlanDocument)) > 0 })
	c.note(t, person, "By way of PostgreSQL.")
	c.until(t, "all documents", c.level)
	return c.Phone
}

// caller is a phone with its socket, which answers pings also while nobody waits for a frame.
type caller struct {
	*phonesim.Phone
	all    []string // the documents that the server has
	ws     *websocket.Conn
	frames chan []byte // closed after the last
	ended  error       // read after that
}

func call(t *testing.T, socket, site, device string) *caller {
	t.Helper()
	phone, err := phonesim.Open(phonesim.Config{Site: site, Device: device,
		Clock: func() int64 { return time.Now().UnixMilli() }, Random: func(b []byte) { _, _ = rand.Read(b) }}, phonesim.NewDisk())
	if err != nil {
		t.Fatal(err)
	}
	ws, _, err := websocket.DefaultDialer.DialContext(t.Context(), socket, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = ws.Close() })
	if err := phone.Connect(time.Now().UnixMilli()); err != nil {
		t.Fatal(err)
	}
	c := &caller{Phone: phone, ws: ws, frames: make(chan []byte, 1000)}
	go func() {
		defer close(c.frames)
		for {
			_, frame, err := ws.ReadMessage()
			if err != nil {
				c.ended = err
				return
			}
			c.frames <- frame
		}
	}()
	return c
}

// until sends and receives until something is so.
func (c *caller) until(t *testing.T, what string, so func() bool) {
	t.Helper()
	late := time.NewTimer(time.Minute)
	defer late.Stop()
	for {
		for _, frame := range c.Outgoing() {
			if err := c.ws.WriteMessage(websocket.BinaryMessage, frame); err != nil {
				t.Fatal(err)
			}
		}
		if so() {
			return
		}
		select {
		case frame, open := <-c.frames:
			if !open {
				t.Fatalf("waiting for %s: %v; %d in the outbox", what, c.ended, len(c.Outbox()))
			}
			if err := c.Receive(frame); err != nil {
				t.Fatal(err)
			}
		case <-late.C:
			t.Fatalf("waiting for %s: nothing comes; %d in the outbox", what, len(c.Outbox()))
		}
	}
}

// note records a note.
func (c *caller) note(t *testing.T, person, text string) logbook.EntryID {
	t.Helper()
	id, err := c.Record(logbook.Entry{Kind: logbook.Note, By: person, Text: text})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// level tells whether the phone has all documents, and the server all that it recorded.
func (c *caller) level() bool {
	for _, name := range c.all {
		if len(c.Heads(name)) == 0 {
			return false
		}
	}
	return len(c.Outbox()) == 0
}

// documentsOf names the demo's documents.
func documentsOf(t *testing.T, data string) (names []string) {
	t.Helper()
	for line := range strings.Lines(ok(t, "docs", "--data", data, "--site", "demo")) {
		var d struct{ Name string }
		if err := json.Unmarshal([]byte(line), &d); err != nil {
			t.Fatal(err)
		}
		names = append(names, d.Name)
	}
	if len(names) < 3 { // the plan, and at least two months of six weeks
		t.Fatalf("the demo has only %v", names)
	}
	return names
}

// Two servers on one database pass entries on: what a phone records at one reaches a phone that is connected to the
// other and says nothing, in an interval of comparing heads.
func TestTwoServersPassEntriesOn(t *testing.T) {
	dsn := onPrivatePostgres(t)
	data := filepath.Join(t.TempDir(), "data")
	first := start(t, "demo", "--data", data, "--port", "0")
	second := start(t, "serve", "--data", data, "--port", "0")
	site, manager := demoSite(t, dsn), demoManager(t, first)
	var phones []*caller
	var person string
	for _, at := range []*server{first, second} {
		var ticket struct{ Socket, Person, Device string }
		if err := json.Unmarshal([]byte(ok(t, "ticket", "--data", data, "--site", "demo", "--person", manager)), &ticket); err != nil {
			t.Fatal(err)
		}
		u, err := url.Parse(ticket.Socket)
		if err != nil {
			t.Fatal(err)
		}
		u.Host = strings.TrimPrefix(at.origin, "http://") // a ticket is good at every server
		person = ticket.Person
		phone := call(t, u.String(), site, ticket.Device)
		phone.all = documentsOf(t, data)
		phones = append(phones, phone)
	}
	for i := range 2 {
		from, to := phones[i%2], phones[(i+1)%2]
		from.until(t, "all documents", from.level)
		to.until(t, "all documents", to.level)
		id := from.note(t, person, "From one server to the other.")
		from.until(t, "the server's word", func() bool { return len(from.Outbox()) == 0 })
		begun := time.Now()
		to.until(t, "the other's entry", func() bool { _, here := to.Entry(id); return here })
		t.Logf("it took %v", time.Since(begun))
	}
	for _, s := range []*server{first, second} {
		s.stop(t, syscall.SIGTERM)
	}
}

// An address that is wrong, or where nobody answers, is said without its password.
func TestDatabaseAddress(t *testing.T) {
	for what, c := range map[string]struct {
		address string
		code    int
	}{
		"another engine":      {"mysql://dan:" + password + "@localhost/gates", 2},
		"no URL":              {"host=localhost password=" + password, 2},
		"a port that is none": {"postgres://dan:" + password + "@localhost:port/gates", 2},
		"a bad escape":        {"postgres://dan:%zz" + password + "@localhost/gates", 2},
		"nobody there":        {"postgres://dan:" + password + "@/gates?host=" + t.TempDir(), 1},
	} {
		t.Setenv(databaseVariable, c.address)
		for _, args := range [][]string{{"serve", "--port", "0"}, {"docs", "--site", "x"}, {"check"}} {
			code, stdout, stderr := run(t, args...)
			want := c.code
			if args[0] == "check" { // 1 is for what it finds
				want = 2
			}
			if code != want || stdout != "" || !strings.HasPrefix(stderr, "gatewright: ") {
				t.Errorf("%s, %s: exit code %d, %q, %q", what, args[0], code, stdout, stderr)
			}
			if strings.Contains(stderr, password) {
				t.Errorf("%s, %s: the password was said: %s", what, args[0], stderr)
			}
			if c.code == 2 && !strings.Contains(stderr, databaseVariable) {
				t.Errorf("%s, %s: %q does not name %s", what, args[0], stderr, databaseVariable)
			}
		}
	}
}
