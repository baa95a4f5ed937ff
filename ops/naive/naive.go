// Package naive is a second, deliberately stupid reading of the rules: from a
// plan's projection, entries, heads and now it works out the same canonical
// output as schema/rules, sharing no code with it. Everything is recomputed
// from nothing for every instant asked about: local dates are walked one by
// one, a local time is found by walking minutes, every reading's run is cut out
// of all readings again, and the wake instant is found by evaluating at every
// candidate instant until the answer differs. Only tests use it; where it and
// the engine disagree one of them misreads the rules.
//
// Two things are not its own. The numbers of lines, charts and rates come from
// packages trend, chart and rates, as the engine's do: those are tested against
// published values by themselves, and here it matters which readings they are
// asked about and what is made of the answer. Calendar rules are those of
// rrule-go in floating time, of which the engine has no part.
//
// It judges what it is given: a plan and entries that the logbook accepts. It
// is no validator.
package naive

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"sort"
	"time"
)

// never stands for "no end".
const never = int64(math.MaxInt64)

const (
	minute = int64(60_000)
	hour   = 60 * minute
	day    = 24 * hour
)

// keep is how long a cleared flag stays listed.
const keep = 14 * day

// Evaluate gives the canonical output for one instant.
func Evaluate(planJSON []byte, entries [][]byte, heads map[string][]string, now int64) ([]byte, error) {
	s, err := Open(planJSON, entries, heads)
	if err != nil {
		return nil, err
	}
	return s.Evaluate(now), nil
}

// Site is a plan with its entries, parsed but not judged.
type Site struct {
	plan    plan
	loc     *time.Location
	entries []*entry // by id
	heads   map[string][]string

	// Boundaries of one cadence period do not depend on entries or on now;
	// walking 300 dates for each of hundreds of instants would take minutes.
	bounds map[boundsKey][]int64
}

// Open parses. The same entry given twice counts once.
func Open(planJSON []byte, raws [][]byte, heads map[string][]string) (*Site, error) {
	s := &Site{heads: heads, bounds: map[boundsKey][]int64{}}
	if err := json.Unmarshal(planJSON, &s.plan); err != nil {
		return nil, fmt.Errorf("reading plan: %w", err)
	}
	var err error
	if s.loc, err = time.LoadLocationFromTZData(s.plan.Site.Zone, s.plan.Site.TZ); err != nil {
		return nil, fmt.Errorf("reading zone: %w", err)
	}
	if err := s.plan.unpack(); err != nil {
		return nil, err
	}
	seen := map[string]bool{}
	for _, raw := range raws {
		e := &entry{}
		if err := json.Unmarshal(raw, e); err != nil {
			return nil, fmt.Errorf("reading entry: %w", err)
		}
		if !seen[e.ID] {
			seen[e.ID] = true
			s.entries = append(s.entries, e)
		}
	}
	sort.Slice(s.entries, func(i, j int) bool { return s.entries[i].ID < s.entries[j].ID })
	return s, nil
}

// Evaluate gives the canonical output at now: the body, what it rests on, and
// the first later candidate instant at which the body is another.
func (s *Site) Evaluate(now int64) []byte {
	out := s.body(now)
	docs := object{}
	for name, heads := range s.heads {
		sorted := append([]string(nil), heads...)
		sort.Strings(sorted)
		list := []any{}
		for _, h := range sorted {
			list = append(list, h)
		}
		docs[name] = list
	}
	before := write(out)
	for _, at := range s.at(now).candidates() {
		if !bytes.Equal(write(s.body(at)), before) {
			out["wake"] = at
			break
		}
	}
	out["basis"] = object{"documents": docs, "now": now, "tz": s.plan.Site.TZV, "v": int64(1)}
	return write(out)
}

// body is the output without basis and wake.
func (s *Site) body(now int64) object {
	m := s.at(now)
	flags := m.flags()
	return object{
		"completion": m.completion(),
		"due":        m.due(flags),
		"flags":      listed(flags, now),
		"future":     m.future,
	}
}

// micro is a decimal in millionths.
type micro int64

func (m *micro) UnmarshalJSON(b []byte) error {
	r, ok := new(big.Rat).SetString(string(b))
	if !ok {
		return fmt.Errorf("%s is no number", b)
	}
	r.Mul(r, big.NewRat(1_000_000, 1))
	if !r.IsInt() || !r.Num().IsInt64() {
		return fmt.Errorf("%s has more than six decimals or is too large", b)
	}
	*m = micro(r.Num().Int64())
	return nil
}
