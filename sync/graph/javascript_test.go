//go:build cgo

package graph

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"testing"

	"gatewright/sync/change"
)

// where JavaScript's Automerge is installed for the tests that ask it
const installed = "../change/testdata/gen"

// script is the phone by the JavaScript library, in a process of its own.
type script struct {
	t   testing.TB
	in  io.Writer
	out *bufio.Scanner
}

func (s *script) do(answer any, command map[string]string) {
	s.t.Helper()
	line, err := json.Marshal(command)
	if err != nil {
		s.t.Fatal(err)
	}
	if _, err := s.in.Write(append(line, '\n')); err != nil {
		s.t.Fatal(err)
	}
	if !s.out.Scan() {
		s.t.Fatalf("no answer to %s", command["do"])
	}
	if answer != nil {
		if err := json.Unmarshal(s.out.Bytes(), answer); err != nil {
			s.t.Fatal(err)
		}
	}
}

func (s *script) bytes(text string) []byte {
	s.t.Helper()
	b, err := hex.DecodeString(text)
	if err != nil {
		s.t.Fatal(err)
	}
	return b
}

func (s *script) empty(a change.Actor) {
	s.do(nil, map[string]string{"do": "new", "actor": a.String()})
}
func (s *script) set(key string) { s.do(nil, map[string]string{"do": "set", "key": key}) }
func (s *script) reconnect()     { s.do(nil, map[string]string{"do": "reconnect"}) }
func (s *script) receive(payload []byte) {
	s.do(nil, map[string]string{"do": "receive", "payload": hex.EncodeToString(payload)})
}
func (s *script) generate() ([]byte, bool) {
	var payload string
	s.do(&payload, map[string]string{"do": "generate"})
	return s.bytes(payload), payload != ""
}
func (s *script) heads() (out []change.Hash) {
	var names []string
	s.do(&names, map[string]string{"do": "heads"})
	for _, n := range names {
		h, err := change.ParseHash(n)
		if err != nil {
			s.t.Fatal(err)
		}
		out = append(out, h)
	}
	return out
}
func (s *script) changes() (out [][]byte) {
	var chunks []string
	s.do(&chunks, map[string]string{"do": "changes"})
	for _, c := range chunks {
		out = append(out, s.bytes(c))
	}
	return out
}

// The library that phones run. It needs npm install in the folder named above;
// the same histories meet the native library everywhere.
func TestLevelWithJavaScript(t *testing.T) {
	if _, err := os.Stat(installed + "/node_modules/@automerge/automerge"); err != nil {
		t.Skip("the JavaScript library is not installed in " + installed)
	}
	source, err := os.ReadFile("testdata/phone.mjs")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "node", "--input-type=module", "-e", string(source))
	cmd.Dir, cmd.Stderr = installed, os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 64<<20)
	levelWith(t, &script{t, in, lines}, 100)
	if err := in.Close(); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
}
