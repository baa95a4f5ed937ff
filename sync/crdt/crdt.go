// Package crdt hands validated changes to the native Automerge library. It is
// the only importer of automerge-go and serves three purposes: snapshots,
// export in Automerge's own file form, and an oracle for tests.
//
// The library aborts the process on some bytes and accepts changes that later
// make a document unreadable, so Load passes every chunk through the strict
// decoder first and hands over nothing that depends on what is missing, skips
// a seq or forks an actor. Whether objects and predecessors exist is the
// business of whoever admitted the changes.
package crdt

import (
	"encoding/base64"
	"fmt"
	"slices"
	"time"

	"github.com/automerge/automerge-go"

	"gatewright/schema/canon"
	"gatewright/sync/change"
)

// Doc is a document held by the native library.
type Doc struct {
	doc   *automerge.Doc
	heads []change.Hash
}

// Load builds a document from its changes, dependencies first. A change that
// comes twice is passed over.
func Load(changes [][]byte) (*Doc, error) {
	have := make(map[change.Hash]bool, len(changes))
	heads := map[change.Hash]bool{}
	seqs := map[change.Actor]uint64{}
	var all []byte
	for i, b := range changes {
		c, err := change.Decode(b, change.DefaultLimits)
		if err != nil {
			return nil, fmt.Errorf("loading change %d: %w", i, err)
		}
		if have[c.Hash] {
			continue
		}
		for _, d := range c.Deps {
			if !have[d] {
				return nil, fmt.Errorf("loading change %d: dependency %s is missing", i, d)
			}
			delete(heads, d)
		}
		if c.Seq != seqs[c.Actor]+1 {
			return nil, fmt.Errorf("loading change %d: seq %d of actor %s does not follow %d", i, c.Seq, c.Actor, seqs[c.Actor])
		}
		seqs[c.Actor] = c.Seq
		have[c.Hash], heads[c.Hash] = true, true
		all = append(all, c.Bytes...)
	}
	d := &Doc{doc: automerge.New()}
	for h := range heads {
		d.heads = append(d.heads, h)
	}
	slices.SortFunc(d.heads, change.Hash.Compare)
	if len(all) > 0 {
		if err := d.doc.LoadIncremental(all); err != nil {
			return nil, fmt.Errorf("loading %d changes: %w", len(have), err)
		}
	}
	if got := d.Heads(); !slices.Equal(got, d.heads) {
		return nil, fmt.Errorf("loading %d changes: the library arrives at other heads", len(have))
	}
	return d, nil
}

// Heads gives the library's heads, ascending.
func (d *Doc) Heads() []change.Hash {
	var out []change.Hash
	for _, h := range d.doc.Heads() {
		out = append(out, change.Hash(h))
	}
	slices.SortFunc(out, change.Hash.Compare)
	return out
}

// Save gives the document in Automerge's own file form.
func (d *Doc) Save() []byte { return d.doc.Save() }

// Changes gives the document's changes as the library holds them, each as an
// uncompressed chunk, dependencies first.
func (d *Doc) Changes() ([][]byte, error) {
	cs, err := d.doc.Changes()
	if err != nil {
		return nil, fmt.Errorf("reading changes: %w", err)
	}
	var out [][]byte
	for _, c := range cs {
		plain, err := change.Decode(c.Save(), change.DefaultLimits)
		if err != nil {
			return nil, fmt.Errorf("reading change %s: %w", c.Hash(), err)
		}
		out = append(out, plain.Bytes)
	}
	return out, nil
}

// JSON gives the document in canonical JSON: byte strings in base64, counters
// and timestamps (milliseconds) as numbers, what is not a finite number as null.
func (d *Doc) JSON() ([]byte, error) {
	v, err := jsonOf(d.doc.Root().Interface())
	if err != nil {
		return nil, fmt.Errorf("projecting document: %w", err)
	}
	return canon.Append(nil, v), nil
}

func jsonOf(v any) (canon.Value, error) {
	switch v := v.(type) {
	case nil:
		return canon.Value{}, nil
	case bool:
		return canon.Truth(v), nil
	case string:
		return canon.Text(v), nil
	case []byte:
		return canon.Text(base64.StdEncoding.EncodeToString(v)), nil
	case int64:
		return canon.Num64(float64(v)), nil
	case uint64:
		return canon.Num64(float64(v)), nil
	case float64:
		return canon.Num64(v), nil
	case time.Time:
		return canon.Num64(float64(v.UnixMilli())), nil
	case []any:
		out := canon.Value{Kind: canon.List}
		for _, x := range v {
			j, err := jsonOf(x)
			if err != nil {
				return canon.Value{}, err
			}
			out.List = append(out.List, j)
		}
		return out, nil
	case map[string]any:
		out := canon.Value{Kind: canon.Object}
		for k, x := range v { // Append sorts the keys
			j, err := jsonOf(x)
			if err != nil {
				return canon.Value{}, err
			}
			out.Keys, out.Vals = append(out.Keys, k), append(out.Vals, j)
		}
		return out, nil
	}
	return canon.Value{}, fmt.Errorf("value of type %T", v)
}
