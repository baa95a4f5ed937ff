package naive

import (
	"bytes"
	"encoding/json"
	commandline "flag"
	"fmt"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"gatewright/schema/logbook"
	"gatewright/schema/rules"
)

var (
	sites = commandline.Int("sites", 300, "random sites to compare on; 10,000 take some minutes")
	first = commandline.Uint64("seed", 1, "seed of the first")
)

// TestNaiveAgrees compares the engine with the naive evaluator, byte for byte,
// on random sites at several instants each, at the wake instants they name and
// just before. Ten thousand, from the first seed on:
//
//	go test ./ops/naive -run TestNaiveAgrees -timeout 1h -v -args -sites 10000 -seed 1
//
// Entries reach the engine in random order, some twice, some only
// after it was asked already, and in some cases across Save and Load.
func TestNaiveAgrees(t *testing.T) {
	n := *sites
	if testing.Short() {
		n = min(n, 100)
	}
	seeds := make(chan uint64)
	var failures, instants atomic.Int64
	var all sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), 2) {
		all.Go(func() {
			for seed := range seeds {
				if failures.Load() >= 3 {
					continue // enough to read
				}
				report, asked := compare(seed)
				instants.Add(int64(asked))
				if report != "" {
					failures.Add(1)
					t.Errorf("seed %d: %s", seed, report)
				}
			}
		})
	}
	for i := range n {
		seeds <- *first + uint64(i)
	}
	close(seeds)
	all.Wait()
	t.Logf("%d sites at %d instants", n, instants.Load())
}

// compare is the report on one site, "" when both agree, and at how many
// instants they were asked.
func compare(seed uint64) (report string, instants int) {
	planJSON, entries, heads, nows := RandomSite(seed)
	site, err := Open(planJSON, entries, heads)
	if err != nil {
		return err.Error(), instants
	}
	rng := rand.New(rand.NewPCG(seed, 2))
	shuffled := make([][]byte, len(entries))
	for i, j := range rng.Perm(len(entries)) {
		shuffled[i] = entries[j]
	}
	engine, err := newEngine(planJSON, heads)
	if err != nil {
		return err.Error(), instants
	}

	// Some are asked for before everything is there, so that what the engine
	// keeps from then has to be thrown away again.
	asked := nows
	for i, raw := range shuffled {
		if err := add(engine, raw); err != nil {
			return err.Error(), instants
		}
		if rng.IntN(10) == 0 {
			_ = add(engine, raw)
		}
		if rng.IntN(max(12, len(shuffled)/6)) == 0 {
			now := nows[rng.IntN(len(nows))]
			part, err := Open(planJSON, shuffled[:i+1], heads)
			if err != nil {
				return err.Error(), instants
			}
			got, want := engine.Evaluate(now).AppendJSON(nil), part.Evaluate(now)
			instants++
			if !bytes.Equal(got, want) {
				return shrink("asked in between", planJSON, shuffled[:i+1], heads, now, got, want), instants
			}
		}
		if rng.IntN(30) == 0 {
			if engine, err = rules.Load(engine.Save()); err != nil {
				return "loading what was saved: " + err.Error(), instants
			}
			if err := setPlan(engine, planJSON, heads); err != nil {
				return err.Error(), instants
			}
		}
	}
	for i := 0; i < len(asked); i++ {
		now := asked[i]
		got, want := engine.Evaluate(now).AppendJSON(nil), site.Evaluate(now)
		instants++
		if !bytes.Equal(got, want) {
			return shrink("asked with everything there", planJSON, entries, heads, now, got, want), instants
		}
		if wake, ok := wakeOf(want); ok && i < len(nows) {
			asked = append(asked, wake, wake-1)
		}
	}
	return "", instants
}

func wakeOf(output []byte) (int64, bool) {
	var out struct{ Wake *int64 }
	if err := json.Unmarshal(output, &out); err != nil || out.Wake == nil {
		return 0, false
	}
	return *out.Wake, true
}

func newEngine(planJSON []byte, heads map[string][]string) (*rules.Engine, error) {
	engine := rules.New()
	return engine, setPlan(engine, planJSON, heads)
}

func setPlan(engine *rules.Engine, planJSON []byte, heads map[string][]string) error {
	plan, err := logbook.ParsePlan(planJSON)
	if err != nil {
		return err
	}
	engine.SetPlan(plan, planJSON)
	for doc, list := range heads {
		engine.SetHeads(doc, list)
	}
	return nil
}

func add(engine *rules.Engine, raw []byte) error {
	e, err := logbook.ParseEntry(raw)
	if err != nil {
		return fmt.Errorf("%s: %w", raw, err)
	}
	engine.Add(e)
	return nil
}

// fresh are both answers from a new engine and a new evaluator.
func fresh(planJSON []byte, entries [][]byte, heads map[string][]string, now int64) (got, want []byte, err error) {
	engine, err := newEngine(planJSON, heads)
	if err != nil {
		return nil, nil, err
	}
	for _, raw := range entries {
		if err := add(engine, raw); err != nil {
			return nil, nil, err
		}
	}
	want, err = Evaluate(planJSON, entries, heads, now)
	return engine.Evaluate(now).AppendJSON(nil), want, err
}

// shrink takes away what is not needed for the disagreement and writes down
// the rest.
func shrink(how string, planJSON []byte, entries [][]byte, heads map[string][]string, now int64, got, want []byte) string {
	differs := func(p []byte, list [][]byte) bool {
		got, want, err := fresh(p, list, nil, now)
		return err == nil && !bytes.Equal(got, want)
	}
	if differs(planJSON, entries) {
		entries = append([][]byte(nil), entries...)
		for again := true; again; {
			again = false
			for size := (len(entries) + 1) / 2; size > 0; size /= 2 {
				for i := 0; i+size <= len(entries); {
					fewer := slices.Concat(entries[:i], entries[i+size:])
					if differs(planJSON, fewer) {
						entries, again = fewer, true
					} else {
						i += size
					}
				}
			}
			var p map[string]map[string]json.RawMessage
			if json.Unmarshal(planJSON, &p) != nil {
				break
			}
			for _, c := range []string{"checks", "parts", "gates"} {
				for id, item := range p[c] {
					delete(p[c], id)
					if smaller, err := json.Marshal(p); err == nil && differs(smaller, entries) {
						planJSON, again = smaller, true
						continue
					}
					p[c][id] = item
				}
			}
		}
		heads = nil
		got, want, _ = fresh(planJSON, entries, heads, now)
	} else {
		how += ", and only so: a new engine given the same entries in their order agrees"
	}

	var p map[string]map[string]any
	_ = json.Unmarshal(planJSON, &p)
	delete(p["site"], "tz")
	shown, _ := json.MarshalIndent(p, "", " ")
	var b strings.Builder
	fmt.Fprintf(&b, "%s, now %d\n--- plan\n%s\n--- entries\n%s\n--- engine (-) and naive (+)\n%s",
		how, now, shown, bytes.Join(entries, []byte("\n")), diff(lines(got), lines(want)))
	return b.String()
}

func lines(output []byte) []string {
	var b bytes.Buffer
	if err := json.Indent(&b, output, "", " "); err != nil {
		return []string{string(output)}
	}
	return strings.Split(b.String(), "\n")
}

// diff is the longest common subsequence with two lines around each change.
func diff(a, b []string) string {
	common := make([][]int, len(a)+1)
	for i := range common {
		common[i] = make([]int, len(b)+1)
	}
	for i := len(a) - 1; i >= 0; i-- {
		for j := len(b) - 1; j >= 0; j-- {
			if a[i] == b[j] {
				common[i][j] = common[i+1][j+1] + 1
			} else {
				common[i][j] = max(common[i+1][j], common[i][j+1])
			}
		}
	}
	all := []string{}
	i, j := 0, 0
	for i < len(a) || j < len(b) {
		switch {
		case i < len(a) && j < len(b) && a[i] == b[j]:
			all = append(all, "  "+a[i])
			i, j = i+1, j+1
		case j == len(b) || i < len(a) && common[i+1][j] >= common[i][j+1]:
			all = append(all, "- "+a[i])
			i++
		default:
			all = append(all, "+ "+b[j])
			j++
		}
	}
	var out strings.Builder
	for k, line := range all {
		near := false
		for l := max(0, k-6); l < min(len(all), k+4); l++ {
			near = near || all[l][0] != ' '
		}
		if near {
			out.WriteString(line + "\n")
		}
	}
	return out.String()
}
