package platforms

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gatewright/ops/platforms/play"
)

// The test program also plays platforms that answer wrongly, by its first word.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && strings.HasPrefix(os.Args[1], "as=") {
		whole := len(os.Args) > 2 && os.Args[2] == "whole"
		err := play.Serve(os.Stdin, os.Stdout, whole, evaluators[strings.TrimPrefix(os.Args[1], "as=")])
		if err != nil {
			os.Stderr.WriteString(err.Error())
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

var evaluators = map[string]func(*play.Site) (play.Evaluator, error){
	"naive again": func(s *play.Site) (play.Evaluator, error) { return &independent{site: s}, nil },
	"echo":        func(*play.Site) (play.Evaluator, error) { return echo{}, nil },
	"echo with other bytes": func(s *play.Site) (play.Evaluator, error) {
		return &altered{Evaluator: echo{}, site: s}, nil
	},
	"killed": func(s *play.Site) (play.Evaluator, error) {
		if s.Seed == 4 {
			self, err := os.FindProcess(os.Getpid())
			if err == nil {
				err = self.Kill()
			}
			return nil, err
		}
		return echo{}, nil
	},
	"other bytes": func(s *play.Site) (play.Evaluator, error) {
		return &altered{Evaluator: &independent{site: s}, site: s}, nil
	},
	"refuses": func(s *play.Site) (play.Evaluator, error) {
		if s.Seed == 4 {
			return nil, errors.New("no room")
		}
		return &independent{site: s}, nil
	},
	"dies": func(s *play.Site) (play.Evaluator, error) {
		if s.Seed >= 4 {
			panic("an instruction that there is not")
		}
		return &independent{site: s}, nil
	},
}

// echo answers quickly, and nothing.
type echo struct{}

func (echo) Add([]byte) error                   { return nil }
func (echo) Reload() error                      { return nil }
func (echo) Evaluate(now int64) ([]byte, error) { return strconv.AppendInt(nil, now, 10), nil }

// altered writes one byte of one answer of two sites otherwise.
type altered struct {
	play.Evaluator
	site  *play.Site
	asked int
}

func (a *altered) Evaluate(now int64) ([]byte, error) {
	out, err := a.Evaluator.Evaluate(now)
	if a.asked++; a.asked == 3 && (a.site.Seed == 5 || a.site.Seed == 6) {
		out[len(out)-2]++
	}
	return out, err
}

func as(names ...string) []program {
	var list []program
	for _, name := range names {
		list = append(list, program{name, []string{os.Args[0], "as=" + name}})
	}
	return list
}

var naiveOf = flag.Int("naive-of", 10, "the independent evaluator plays every so many-th site; 0 = none")

// Every platform that can be had here, and the independent evaluator on some of the sites.
func TestPlatformsAgree(t *testing.T) {
	sites := 300
	if testing.Short() {
		sites = 60
	}
	report, err := Run(t.Context(), Trial{Platforms: Usual(), First: 1, Sites: sites, NaiveOf: *naiveOf, Variations: 20, Says: t.Output()})
	if err != nil {
		t.Fatal(err)
	}
	if !report.Agreed() {
		t.Errorf("%d sites differ, first %d", report.Different, report.Seeds)
	}
	for name, o := range report.Platforms {
		if o.Skipped != "" {
			t.Logf("SKIPPED: %s, because %s", name, o.Skipped)
		} else if o.Sites != sites || o.Answers < 5*sites {
			t.Errorf("%s answered %d times for %d sites", name, o.Answers, o.Sites)
		}
	}
	if c := report.Calculations; c.Inputs < 200 || c.Answered < c.Inputs/2 {
		t.Errorf("calculations: %+v", c)
	}
	if *naiveOf > 0 && report.Naive.Sites != (sites+*naiveOf-1) / *naiveOf {
		t.Errorf("the independent evaluator played %d sites", report.Naive.Sites)
	}
}

func TestDifferencesAreFound(t *testing.T) {
	trial := Trial{First: 1, Sites: 10, NaiveOf: 1, Says: t.Output()}
	for _, c := range []struct {
		programs []program
		seeds    []uint64
	}{
		{as("naive again"), nil}, // beside the independent evaluator
		{as("naive again", "other bytes"), []uint64{5, 6}},
		{as("refuses", "naive again"), []uint64{4}},
	} {
		trial.programs = c.programs
		report, err := Run(t.Context(), trial)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(report.Seeds, c.seeds) || report.Different != len(c.seeds) || report.Agreed() != (c.seeds == nil) {
			t.Errorf("%v: %d differ: %d", c.programs, report.Different, report.Seeds)
		}
	}
	trial.NaiveOf, trial.programs = 0, as("naive again")
	if report, err := Run(t.Context(), trial); err != nil || report.Agreed() {
		t.Errorf("one alone agrees with nobody: %v", err)
	}
}

func TestProgramThatDiesIsAnError(t *testing.T) {
	_, err := Run(t.Context(), Trial{First: 1, Sites: 50, Says: t.Output(), programs: as("naive again", "dies")})
	if err == nil || !strings.Contains(err.Error(), "dies ended after ") || !strings.Contains(err.Error(), "an instruction that there is not") {
		t.Errorf("got %v", err)
	}
}

// A program that is killed with sites still to come is an error too, whatever it had answered.
func TestProgramThatIsKilledIsAnError(t *testing.T) {
	_, err := Run(t.Context(), Trial{First: 1, Sites: 500, Says: t.Output(), programs: as("killed")})
	if err == nil || !strings.Contains(err.Error(), "killed ended after ") {
		t.Errorf("got %v", err)
	}
}

// A trial that is broken off reports on the sites that were played until then, and nobody has agreed.
func TestBrokenOff(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	trial := Trial{First: 1, Sites: 1 << 20, NaiveOf: 0, Says: firstWord(cancel), programs: as("echo", "echo with other bytes")}
	report, err := Run(ctx, trial)
	if err != nil {
		t.Fatal(err)
	}
	if !report.BrokenOff || report.Agreed() || report.Sites < every || report.Sites > 2*every || !slices.Equal(report.Seeds, []uint64{5, 6}) {
		t.Errorf("%+v", report)
	}
	for name, o := range report.Platforms {
		if o.Sites != report.Sites {
			t.Errorf("%s played %d of %d sites", name, o.Sites, report.Sites)
		}
	}
}

// firstWord does something when it is first written to.
type firstWord func()

func (f firstWord) Write(b []byte) (int, error) {
	f()
	return len(b), nil
}

// One site in full: what all say once, and who says what where they differ.
func TestShow(t *testing.T) {
	for seed, differ := range map[uint64]bool{5: true, 7: false} {
		var out bytes.Buffer
		agreed, err := Trial{First: seed, Says: t.Output(), programs: as("naive again", "other bytes")}.Show(t.Context(), &out)
		if err != nil {
			t.Fatal(err)
		}
		text := out.String()
		if agreed == differ || strings.Contains(text, "answer 2 of other bytes: ") != differ || strings.Contains(text, "answer 2 of naive again, naive: ") != differ {
			t.Errorf("seed %d: agreed %v:\n%s", seed, agreed, text)
		}
		if !strings.Contains(text, "answer 1 of all: ") || !strings.Contains(text, `"basis"`) || !strings.HasPrefix(text, "plan {") {
			t.Errorf("seed %d:\n%s", seed, text)
		}
	}
}

// What crosses to another program is what was drawn.
func TestSiteCrosses(t *testing.T) {
	acts := map[play.Act]int{}
	for seed := range uint64(100) {
		s := Draw(seed)
		got, err := play.Parse(s.AppendJSON(nil))
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, s) && len(s.Entries) > 0 {
			t.Fatalf("seed %d: %s", seed, s.AppendJSON(nil))
		}
		for _, step := range s.Steps {
			acts[step.Do]++
		}
	}
	for _, act := range []play.Act{play.Add, play.Ask, play.Follow, play.Reload} {
		if acts[act] < 20 {
			t.Errorf("%c occurs %d times", act, acts[act])
		}
	}
}

func TestNamed(t *testing.T) {
	list, err := Named([]string{"arm64", "s390x"})
	if err != nil || len(list) != 2 || list[1].arch != "s390x" {
		t.Errorf("%v, %v", list, err)
	}
	if _, err := Named([]string{"pdp11"}); err == nil || !strings.Contains(err.Error(), `"pdp11" is not a platform; there are amd64-v1`) {
		t.Errorf("got %v", err)
	}
}
