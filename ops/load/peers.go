package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
	mathrand "math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"gatewright/schema/logbook"
	"gatewright/sync/wire"
)

// npmServer is a server of the folder peers. Its documents are drawn at random.
type npmServer struct {
	label, script, pack, stores string
	folder                      string // of the scripts
	after                       time.Duration
	speaks                      protocol

	authors map[[2]int]author
	docs    [][16]byte
	updates [][]byte // of Yjs, by number of the entry
	p       *process
}

type protocol uint8

const (
	repoProtocol protocol = iota
	yProtocol
	yPrefixed // with the document's name before every message
)

func npmServers(folder string) []*npmServer {
	return []*npmServer{
		{label: "automerge-repo", script: "automerge-repo.mjs", pack: "@automerge/automerge-repo", folder: folder, speaks: repoProtocol, after: time.Second,
			stores: "file store, not synchronised before it acknowledges; passes on at most every 100 ms a document"},
		{label: "y-websocket", script: "y-websocket.mjs", pack: "@y/websocket-server", folder: folder, speaks: yProtocol, after: 300 * time.Millisecond,
			stores: "keeps nothing on disk"},
		{label: "hocuspocus", script: "hocuspocus.mjs", pack: "@hocuspocus/server", folder: folder, speaks: yPrefixed, after: 2500 * time.Millisecond,
			stores: "its SQLite extension, the whole document 2 to 10 s after a change"},
	}
}

func (s *npmServer) name() string           { return s.label }
func (s *npmServer) keeps() string          { return s.pack + " " + s.version() + ": " + s.stores }
func (s *npmServer) settles() time.Duration { return s.after }
func (s *npmServer) acknowledges() bool     { return false }
func (s *npmServer) proc() *process         { return s.p }

// version is what is installed.
func (s *npmServer) version() string {
	var about struct{ Version string }
	b, err := os.ReadFile(filepath.Join(s.folder, "node_modules", filepath.FromSlash(s.pack), "package.json"))
	if err != nil || json.Unmarshal(b, &about) != nil {
		return "(version unknown)"
	}
	return about.Version
}

func (s *npmServer) start(ctx context.Context, folder string, sh shape) error {
	s.docs, s.authors = make([][16]byte, sh.docs), map[[2]int]author{}
	for i := range s.docs {
		_, _ = rand.Read(s.docs[i][:]) // never fails
		for ph := range sh.perDoc {
			var random [18]byte
			_, _ = rand.Read(random[:])
			s.authors[[2]int{i, ph}] = author{logbook.NewPersonID([9]byte(random[:9])), logbook.NewDeviceID([9]byte(random[9:]))}
		}
	}
	data := filepath.Join(folder, "data")
	if err := makeFolder(data); err != nil {
		return err
	}
	var err error
	s.p, err = launch(ctx, filepath.Join(folder, "log"), []string{"NODE_ENV=production"},
		"node", "--expose-gc", filepath.Join(s.folder, s.script), data)
	return err
}

func (s *npmServer) stop() {
	s.p.stop()
	s.p = nil
}

func (s *npmServer) author(doc, ph int) author { return s.authors[[2]int{doc, ph}] }

// prepare lets Yjs itself make the updates, one client id for each phone.
func (s *npmServer) prepare(ctx context.Context, entries []entry) error {
	if s.speaks == repoProtocol {
		return nil
	}
	clients := map[[2]int]uint32{}
	var in bytes.Buffer
	enc := json.NewEncoder(&in)
	enc.SetEscapeHTML(false)
	for _, e := range entries {
		who := [2]int{e.doc, e.phone}
		if clients[who] == 0 {
			clients[who] = mathrand.Uint32N(1<<31) + 1
		}
		if err := enc.Encode(map[string]any{"client": clients[who], "id": e.id, "raw": e.raw}); err != nil {
			return err
		}
	}
	cmd := exec.CommandContext(ctx, "node", filepath.Join(s.folder, "updates.mjs"))
	var out, errs bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = &in, &out, &errs
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("making Yjs updates: %w: %s", err, errs.String())
	}
	s.updates = s.updates[:0]
	lines := bufio.NewScanner(&out)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		u, err := base64.StdEncoding.DecodeString(lines.Text())
		if err != nil {
			return fmt.Errorf("making Yjs updates: %w", err)
		}
		s.updates = append(s.updates, u)
	}
	if len(s.updates) != len(entries) {
		return fmt.Errorf("making Yjs updates: %d of %d came", len(s.updates), len(entries))
	}
	return nil
}

// address is where a phone connects to for a document.
func (s *npmServer) address(doc int) string {
	return "ws" + strings.TrimPrefix(s.p.origin, "http") + "/" + s.room(doc)
}

func (s *npmServer) room(doc int) string { return wire.DocumentID(s.docs[doc]) }

func (s *npmServer) open(ctx context.Context, t *traffic, led *ledger, tl *tally, doc, ph int) (phone, error) {
	if s.speaks == repoProtocol {
		return openRepo(ctx, t, s.address(doc), "phone-"+s.author(doc, ph).device, false, led, tl, s.room(doc), ph > 0)
	}
	return dialY(ctx, t, s.address(doc), s.room(doc), s.speaks == yPrefixed, ph > 0, led, tl, func(n int) []byte { return s.updates[n] })
}
