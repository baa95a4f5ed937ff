package crdt_test

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"testing"

	"gatewright/schema/canon"
)

const generator = "../change/testdata/gen"

// Changes of our own encoder are what JavaScript applies, saves and loads. It
// runs where the generator's dependencies are installed (npm install there);
// TestOwnChangesInTheLibrary asks the same of the native library everywhere.
func TestOwnChangesInJavaScript(t *testing.T) {
	if _, err := os.Stat(generator + "/node_modules/@automerge/automerge"); err != nil {
		t.Skip("the JavaScript library is not installed in " + generator)
	}
	r := rand.New(rand.NewPCG(20260301, 2))
	var in bytes.Buffer
	var want []*writer
	enc := json.NewEncoder(&in)
	for range 30 {
		w := merged(t, r)
		want = append(want, w)
		if err := enc.Encode(map[string][][]byte{"changes": chunks(w.order)}); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command("node", "accept.mjs")
	cmd.Dir, cmd.Stdin, cmd.Stderr = generator, &in, os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	dec := json.NewDecoder(bytes.NewReader(out))
	for i, w := range want {
		var got struct {
			Heads, Loaded, Missing []string
			Doc                    json.RawMessage
		}
		if err := dec.Decode(&got); err != nil {
			t.Fatal(err)
		}
		var heads []string
		for _, h := range w.fold.Heads() {
			heads = append(heads, h.String())
		}
		slices.Sort(got.Heads)
		slices.Sort(got.Loaded)
		if !slices.Equal(got.Heads, heads) || !slices.Equal(got.Loaded, heads) || len(got.Missing) > 0 {
			t.Errorf("document %d: heads %v and %v, want %v; missing %v", i, got.Heads, got.Loaded, heads, got.Missing)
		}
		doc, err := canon.Canonical(got.Doc)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(doc, w.fold.JSON()) {
			t.Errorf("document %d:\n got %s\nwant %s", i, doc, w.fold.JSON())
		}
	}
}
