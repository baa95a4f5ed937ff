package simulate

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"runtime/debug"
	"slices"
)

// Config is one run.
type Config struct {
	Seed    uint64
	Entries int // that are called saved before the run ends
	Phones  int // 0 = as the seed says

	// Log gets every event and frame in words; nil = nobody looks.
	Log io.Writer

	tamper tamper // of tests: breaks what the simulation should find
}

// Result is what one run came to.
type Result struct {
	Seed         uint64         `json:"seed"`
	Entries      int            `json:"entries"`      // recorded and called saved
	Acknowledged int            `json:"acknowledged"` // of these, by the server
	Lost         int            `json:"lost"`         // acknowledged, still on a disk, and not in the store
	Faults       map[string]int `json:"faults"`
	Trace        string         `json:"trace"` // SHA-256 over all events and frames
	Failure      *Failure       `json:"failure,omitempty"`
}

// Failure is an invariant that did not hold.
type Failure struct {
	Invariant int    `json:"invariant"`
	What      string `json:"what"`
	Step      uint64 `json:"step"` // number of the event
	Replay    string `json:"replay"`
	Stack     string `json:"stack,omitempty"` // of a panic
}

var invariants = map[int]string{
	1: "acknowledged means present", 2: "equal heads mean equal state", 3: "equal documents give equal rules",
	4: "nothing that its author may not write is stored", 5: "nothing panics", 6: "saved survives the phone's crash",
	7: "stored bytes never change", 8: "the same seed gives the same trace", 9: "nobody is wedged",
}

func (f *Failure) Error() string {
	return fmt.Sprintf("invariant %d (%s) failed at event %d: %s\nreplay: %s", f.Invariant, invariants[f.Invariant], f.Step, f.What, f.Replay)
}

// JSON is the result on one line.
func (r *Result) JSON() string {
	b, err := json.Marshal(r)
	if err != nil {
		return err.Error() // there is nothing in it that cannot be written
	}
	return string(b)
}

// Run plays one seed to its end, or to the first invariant that fails.
func Run(cfg Config) (res *Result) {
	w := newWorld(cfg)
	res = &Result{Seed: cfg.Seed}
	defer func() {
		if broken := recover(); broken != nil {
			f, ok := broken.(*Failure)
			if !ok {
				f = &Failure{Invariant: 5, What: fmt.Sprint(broken), Stack: string(debug.Stack())}
			}
			f.Step, f.Replay = w.steps, cfg.replay()
			res.Failure = f
		}
		w.report(res)
	}()
	w.play()
	return res
}

func (c Config) replay() string {
	s := fmt.Sprintf("./ops/soak --seed %d --entries %d", c.Seed, c.Entries)
	if c.Phones != 0 {
		s += fmt.Sprintf(" --phones %d", c.Phones)
	}
	return s
}

func (w *world) report(res *Result) {
	for _, id := range w.order {
		r := w.ledger[id]
		if !r.saved {
			continue
		}
		res.Entries++
		if r.acked {
			res.Acknowledged++
		}
	}
	res.Lost = w.lost
	if res.Failure != nil && res.Failure.Invariant == 1 {
		res.Lost = max(res.Lost, 1)
	}
	res.Faults = maps.Clone(w.count)
	sum := w.trace.Sum(nil)
	res.Trace = hex.EncodeToString(sum[:16])
}

// Sum adds up the results of several seeds.
type Sum struct {
	Seed         uint64         `json:"seed"` // the first
	Seeds        int            `json:"seeds"`
	Entries      int            `json:"entries"`
	Acknowledged int            `json:"acknowledged"`
	Lost         int            `json:"lost"`
	Faults       map[string]int `json:"faults"`
	Trace        string         `json:"trace"`            // SHA-256 over the traces, in order
	Failed       []uint64       `json:"failed,omitempty"` // seeds
}

// fail ends the run.
func (w *world) fail(invariant int, format string, args ...any) {
	panic(&Failure{Invariant: invariant, What: fmt.Sprintf(format, args...)})
}

func sortedKeys[K ~string, V any](m map[K]V) []K { return slices.Sorted(maps.Keys(m)) }

func say(format string, args ...any) string { return fmt.Sprintf(format, args...) }
