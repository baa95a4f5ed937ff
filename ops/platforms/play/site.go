// Package play is what happens to one site when platforms are held against one another: its plan, its entries, and
// the steps in which an evaluator of the rules is given them and asked. A site crosses from program to program as one
// line of JSON, so that every platform works on the same bytes, and what an evaluator answered comes back as a digest.
package play

import (
	"errors"
	"maps"
	"slices"
	"strconv"
	"strings"

	"gatewright/schema/canon"
)

// Site is the facts and what is done with them.
type Site struct {
	Seed    uint64 // of the site, to find it again
	Plan    []byte // the projection
	Entries [][]byte
	Heads   map[string][]string
	Steps   []Step
}

// Step is one thing done with an evaluator.
type Step struct {
	Do Act
	N  int64 // the entry's place in Entries for Add; the instant, ms since 1970 UTC, for Ask and Follow
}

// Act is the letter that a step is written with.
type Act byte

// The acts.
const (
	Add    Act = 'a' // give an entry
	Ask    Act = 'q' // evaluate at an instant
	Follow Act = 'w' // evaluate at an instant, then at the wake instant that the answer names and just before it
	Reload Act = 'r' // save the evaluator's state and go on with what is read back
)

// AppendJSON appends the site as one line without its end.
func (s *Site) AppendJSON(dst []byte) []byte {
	entries, heads := canon.ListOf(), canon.Value{Kind: canon.Object}
	for _, raw := range s.Entries {
		entries.List = append(entries.List, canon.Text(string(raw)))
	}
	for _, doc := range slices.Sorted(maps.Keys(s.Heads)) {
		list := canon.ListOf()
		for _, h := range s.Heads[doc] {
			list.List = append(list.List, canon.Text(h))
		}
		heads.Set(doc, list)
	}
	var steps []byte
	for i, step := range s.Steps {
		if i > 0 {
			steps = append(steps, ' ')
		}
		steps = strconv.AppendInt(append(steps, byte(step.Do)), step.N, 10)
	}
	var v canon.Value
	v.Set("entries", entries)
	v.Set("heads", heads)
	v.Set("plan", canon.Text(string(s.Plan)))
	v.Set("seed", canon.Text(strconv.FormatUint(s.Seed, 10)))
	v.Set("steps", canon.Text(string(steps)))
	return canon.Append(dst, v)
}

// Parse reads what AppendJSON wrote.
func Parse(line []byte) (*Site, error) {
	v, err := canon.Parse(line)
	if err != nil {
		return nil, err
	}
	s := &Site{Heads: map[string][]string{}, Plan: []byte(text(v, "plan"))}
	if s.Seed, err = strconv.ParseUint(text(v, "seed"), 10, 64); err != nil {
		return nil, errors.New("seed must be a whole number")
	}
	entries, _ := v.Get("entries")
	for _, e := range entries.List {
		s.Entries = append(s.Entries, []byte(e.Str))
	}
	heads, _ := v.Get("heads")
	for i, doc := range heads.Keys {
		s.Heads[doc] = []string{}
		for _, h := range heads.Vals[i].List {
			s.Heads[doc] = append(s.Heads[doc], h.Str)
		}
	}
	for _, word := range strings.Fields(text(v, "steps")) {
		n, err := strconv.ParseInt(word[1:], 10, 64)
		if err != nil {
			return nil, errors.New("steps must be letters with a number, not " + word)
		}
		s.Steps = append(s.Steps, Step{Act(word[0]), n})
	}
	return s, nil
}

func text(v canon.Value, key string) string {
	member, _ := v.Get(key)
	return member.Str
}
