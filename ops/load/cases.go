package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"time"
)

// run is one run of the program.
type run struct {
	settings
	folder string
	made   int // folders made so far
}

// fresh makes an empty folder for one server, and gives how to be rid of it.
func (b *run) fresh(name string) (folder string, done func(), err error) {
	b.made++
	folder = filepath.Join(b.folder, fmt.Sprintf("%03d-%s", b.made, name))
	if err := os.RemoveAll(folder); err != nil {
		return "", nil, err
	}
	if err := makeFolder(folder); err != nil {
		return "", nil, err
	}
	return folder, func() { _ = os.RemoveAll(folder) }, nil
}

func say(format string, args ...any) {
	fmt.Fprintf(os.Stderr, time.Now().Format("15:04:05 ")+format+"\n", args...)
}

// testCase is one case of the report.
type testCase struct {
	name string
	what func(quick bool) string
	run  func(ctx context.Context, b *run, add func(row)) error
}

var cases []testCase

func init() { // not a literal: the cases' functions reach the list of names
	cases = []testCase{
		stormCase("yard"),
		stormCase("crowd"),
		{"catchup", describeCatchUp, catchUpCase},
		{"idle", describeIdle, idleCase},
		{"growth", describeGrowth, growthCase},
		{"sites", describeSites, sitesCase},
		{"frames", describeFrames, framesCase},
	}
}

func caseNames() []string {
	var out []string
	for _, c := range cases {
		out = append(out, c.name)
	}
	return out
}

// stormOf gives the two cases of writing.
func stormOf(name string, quick bool) storm {
	s := storm{label: name, shape: shape{docs: 10, perDoc: 5}, entries: 1000, rate: 125, patience: 30 * time.Second}
	if quick {
		s.entries = 500
	}
	if name == "crowd" {
		s.shape, s.entries, s.rate, s.probe = shape{docs: 50, perDoc: 10}, 5000, 1000, true
		s.patience = 20 * time.Second
		if quick {
			s.entries = 3000
		}
	}
	return s
}

func (s storm) describe() string {
	return fmt.Sprintf("%d writers over %d documents, %d entries at %g a second, %d deliveries",
		s.shape.docs*s.shape.perDoc, s.shape.docs, s.entries, s.rate, s.entries*(s.shape.perDoc-1))
}

func stormCase(name string) testCase {
	return testCase{name, func(quick bool) string { return stormOf(name, quick).describe() },
		func(ctx context.Context, b *run, add func(row)) error {
			return b.storms(ctx, stormOf(name, b.quick), add)
		}}
}

// each measures every server once; one that fails says so in its row.
func (b *run) each(add func(row), measure func(target) (row, error)) error {
	for _, name := range b.servers {
		t, err := b.target(name)
		if err == nil {
			var r row
			if r, err = measure(t); err == nil {
				add(r)
				continue
			}
			say("%s: %v", name, err)
		}
		add(row{Server: name, Note: "not measured: " + err.Error()})
	}
	return nil
}

// times is how often what varies is measured.
func (b *run) times() int {
	if b.quick {
		return 1
	}
	return 3
}

// storms runs a storm for every server, so many times, and adds the median of each.
func (b *run) storms(ctx context.Context, s storm, add func(row)) error {
	for _, name := range b.servers {
		t, err := b.target(name)
		if err != nil {
			add(row{Server: name, Note: "not measured: " + err.Error()})
			continue
		}
		s := s
		if o, ok := t.(*ours); ok && b.profile != "" {
			if o.pprof, err = freePort(); err != nil {
				return err
			}
			s.profile = filepath.Join(b.profile, s.label+"-cpu.pprof")
		}
		var rows []row
		for i := range b.times() {
			r, err := b.storm(ctx, s, t)
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil {
				say("%s, %s: %v", s.label, name, err)
				if len(rows) == 0 {
					rows = append(rows, row{Server: name, Note: fmt.Sprintf("run %d failed: %v", i+1, err)})
				}
				break
			}
			say("%s, %s, run %d: p50 %.1f ms, p99 %.1f ms, %.3f CPU s per 1,000", s.label, name, i+1, *r.P50, *r.P99, *r.CPU)
			rows = append(rows, r)
			if r.Deliveries < s.entries*(s.shape.perDoc-1) {
				break // it cannot keep up: more runs would say the same
			}
		}
		add(median(rows))
	}
	return nil
}

func (b *run) storm(ctx context.Context, s storm, t target) (row, error) {
	folder, done, err := b.fresh(t.name())
	if err != nil {
		return row{}, err
	}
	defer done()
	return s.run(ctx, t, folder)
}

// median gives, for each figure, the median of the rows; the rest is the last row's.
func median(rows []row) row {
	out := rows[len(rows)-1]
	out.Runs = len(rows)
	v := reflect.ValueOf(&out).Elem()
	for i := range v.NumField() {
		if v.Field(i).Type() != reflect.TypeFor[*float64]() {
			continue
		}
		var all []float64
		for _, r := range rows {
			if f := reflect.ValueOf(r).Field(i).Interface().(*float64); f != nil {
				all = append(all, *f)
			}
		}
		if len(all) > 0 {
			slices.Sort(all)
			v.Field(i).Set(reflect.ValueOf(figure((all[(len(all)-1)/2] + all[len(all)/2]) / 2)))
		}
	}
	return out
}
