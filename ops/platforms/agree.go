package platforms

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"gatewright/ops/platforms/play"
)

// Trial says what is to be compared.
type Trial struct {
	Platforms []Platform
	First     uint64 // the seed of the first site
	Sites     int
	NaiveOf   int // the independent evaluator plays every so many-th site; 1 is all of them

	Variations int // inputs of each calculation that are tried besides; 0 is none

	Says io.Writer // how far it is, and what differs, in words

	folder   string    // for the programs
	programs []program // already there, for tests
}

// Report is what came of a trial.
type Report struct {
	Sites     int                 `json:"sites"`
	Instants  int                 `json:"instants"` // answered by each platform
	First     uint64              `json:"first"`    // seed
	Platforms map[string]*Outcome `json:"platforms"`
	Naive     *Outcome            `json:"naive"`
	Different int                 `json:"different"`       // sites and calculations on which not all say the same
	Seeds     []uint64            `json:"seeds,omitempty"` // of the first of them

	Calculations *Calculations `json:"calculations"`
	BrokenOff    bool          `json:"broken_off,omitempty"`
	Seconds      float64       `json:"seconds"` // from beginning to end, building included
}

// Outcome is the part of one platform, or of the independent evaluator.
type Outcome struct {
	Sites   int     `json:"sites"`
	Answers int     `json:"answers"`
	Digest  string  `json:"digest,omitempty"`  // SHA-256 over the digests of its sites by seed
	CPU     float64 `json:"cpu_s,omitempty"`   // seconds of processor time
	Skipped string  `json:"skipped,omitempty"` // why there is none
	Ended   string  `json:"ended,omitempty"`   // badly, after it had answered for every site
}

// Agreed says whether at least two evaluators were compared and none differed.
func (r *Report) Agreed() bool {
	return r.Different == 0 && r.Sites > 0 && !r.BrokenOff && r.compared() >= 2
}

func (r *Report) compared() int {
	n := 0
	for _, o := range r.Platforms {
		if o.Skipped == "" {
			n++
		}
	}
	if r.Naive.Sites > 0 {
		n++
	}
	return n
}

// every so many sites it is said how far the trial is.
const every = 250

// shown is how many differing seeds are named.
const shown = 10

// Run plays the trial. An error means that it could not be played; that they differ is no error. When ctx ends while
// sites are played, the report is on those that were.
func Run(ctx context.Context, t Trial) (*Report, error) {
	began := time.Now()
	report := &Report{First: t.First, Platforms: map[string]*Outcome{}}
	if err := t.prepare(ctx, report); err != nil {
		return nil, err
	}
	if t.folder != "" {
		defer os.RemoveAll(t.folder)
	}
	var err error
	if report.Calculations, err = t.calculate(ctx); err != nil {
		return nil, err
	}
	verdicts, naive, err := t.play(ctx, report)
	if err != nil {
		return nil, err
	}
	for i := range report.Sites {
		var said []verdict
		for _, m := range t.programs {
			said = append(said, verdicts[m.name][i].by(m.name))
		}
		if naive[i] != (verdict{}) {
			said = append(said, naive[i].by("naive"))
		}
		if same(said) {
			continue
		}
		if report.Different++; report.Different <= shown {
			seed := t.First + uint64(i)
			report.Seeds = append(report.Seeds, seed)
			fmt.Fprintf(t.Says, "seed %d: ./ops/agree --seed %d\n", seed, seed)
			for _, v := range said {
				fmt.Fprintf(t.Says, "  %-9s %s\n", v.who, v)
			}
		}
	}
	for _, m := range t.programs {
		report.Platforms[m.name].sum(verdicts[m.name])
		report.Instants = max(report.Instants, report.Platforms[m.name].Answers)
	}
	report.Naive.sum(naive)
	report.Different += report.Calculations.Different
	report.Seconds = seconds(time.Since(began))
	return report, nil
}

func same(said []verdict) bool {
	for _, v := range said {
		if v.refused != "" || v.by("") != said[0].by("") {
			return false
		}
	}
	return true
}

// sum adds up what was said of the sites, in the order of their seeds.
func (o *Outcome) sum(list []verdict) {
	all := sha256.New()
	for _, v := range list {
		if v != (verdict{}) {
			o.Sites++
			o.Answers += v.answers
			fmt.Fprintln(all, v)
		}
	}
	if o.Sites > 0 {
		o.Digest = hex.EncodeToString(all.Sum(nil))
	}
}

// prepare builds the programs of the platforms that can be had.
func (t *Trial) prepare(ctx context.Context, report *Report) error {
	report.Naive = &Outcome{}
	if t.programs == nil {
		var err error
		if t.folder, err = os.MkdirTemp("", "gatewright-platforms"); err != nil {
			return fmt.Errorf("making a folder for the programs: %w", err)
		}
		for _, p := range t.Platforms {
			made, err := p.build(ctx, t.folder)
			if why := (absent{}); errors.As(err, &why) {
				fmt.Fprintf(t.Says, "SKIPPED: %s, because %s\n", p.Name, why)
				report.Platforms[p.Name] = &Outcome{Skipped: why.Error()}
				continue
			} else if err != nil {
				os.RemoveAll(t.folder)
				return err
			}
			fmt.Fprintf(t.Says, "%s is built\n", p.Name)
			t.programs = append(t.programs, made)
		}
	}
	for _, m := range t.programs {
		report.Platforms[m.name] = &Outcome{}
	}
	return nil
}

// play makes the sites and hands each to every program and to the independent evaluator. What one said is at the
// site's place; a zero verdict is one that was not asked for. How many sites there were is in the report.
func (t *Trial) play(ctx context.Context, report *Report) (map[string][]verdict, []verdict, error) {
	until := ctx
	ctx, fail := context.WithCancelCause(context.WithoutCancel(ctx))
	defer fail(nil)
	verdicts, naive := map[string][]verdict{}, make([]verdict, t.Sites)
	var lanes []*lane
	var ending sync.WaitGroup
	for _, m := range t.programs {
		list := make([]verdict, t.Sites)
		verdicts[m.name] = list
		l := &lane{program: m, sites: make(chan []byte, 32), judged: func(seed uint64, v verdict) {
			if i := seed - t.First; i < uint64(len(list)) {
				list[i] = v
			}
		}}
		lanes = append(lanes, l)
		ending.Go(func() {
			if err := l.run(ctx); err != nil {
				fail(err)
			}
		})
	}

	var next, done atomic.Int64
	var making sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), 8) {
		making.Go(func() {
			for i := int(next.Add(1)) - 1; i < t.Sites; i = int(next.Add(1)) - 1 {
				if ctx.Err() != nil || until.Err() != nil {
					return
				}
				s := Draw(t.First + uint64(i))
				line := append(s.AppendJSON(nil), '\n')
				for _, l := range lanes {
					select {
					case l.sites <- line:
					case <-ctx.Done():
					}
				}
				if t.NaiveOf > 0 && i%t.NaiveOf == 0 {
					naive[i] = judge(s)
				}
				if n := done.Add(1); n%every == 0 {
					fmt.Fprintf(t.Says, "%d sites\n", n)
				}
			}
		})
	}
	making.Wait()
	for _, l := range lanes {
		close(l.sites)
	}
	ending.Wait()
	if err := context.Cause(ctx); err != nil {
		return nil, nil, err
	}
	// Whatever site was begun was played, and they are begun in order.
	report.Sites = int(done.Load())
	report.BrokenOff = report.Sites < t.Sites
	for _, l := range lanes {
		o := report.Platforms[l.program.name]
		o.CPU, o.Ended = seconds(l.cpu), l.ended
		if l.ended != "" {
			fmt.Fprintf(t.Says, "%s answered for every site and then ended by itself: %s\n", l.program.name, l.ended)
		}
	}
	return verdicts, naive, nil
}

func seconds(d time.Duration) float64 { return d.Round(100 * time.Millisecond).Seconds() }

// judge is what the independent evaluator makes of a site.
func judge(s *play.Site) verdict {
	var d play.Digest
	if err := s.Play(&independent{site: s}, d.Add); err != nil {
		return verdict{refused: err.Error()}
	}
	return verdict{answers: d.Answers, digest: d.Hex()}
}
