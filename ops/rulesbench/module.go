package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"time"

	"gatewright/schema/logbook"
)

// task is one thing to be measured in the module; what measures it reads tasks.json.
type task struct {
	What    string `json:"what"` // first or steps
	Case    string `json:"case,omitempty"`
	Entries int    `json:"entries"`
	Runs    int    `json:"runs,omitempty"`
	Log     string `json:"log"`
	Budget  int64  `json:"budget"` // ms
}

// facts is what a task is measured on: the log by month, as documents hold it.
type facts struct {
	Plan   [][]byte   `json:"plan"`
	Months [][]string `json:"months"`
	Now    int64      `json:"now"`
	After  []step     `json:"after,omitempty"`
	Late   []string   `json:"late,omitempty"`
}

type step struct {
	Raw string `json:"raw"`
	Now int64  `json:"now"`
}

// inModule measures the module through the phone's own code, and gives its rows and its sizes.
func inModule(ctx context.Context, phone, module string, years, logs []int, runs, samples int) ([]row, error) {
	folder, err := os.MkdirTemp("", "gatewright-rulesbench-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(folder)
	// The module alone, with the plan and no entry; then with logs.
	tasks := []task{{What: "first", Case: "module", Runs: runs}}
	for _, n := range years {
		tasks = append(tasks, task{What: "first", Case: "first", Entries: n, Runs: runs})
	}
	for _, n := range logs {
		tasks = append(tasks, task{What: "steps", Entries: n})
	}
	for i := range tasks {
		t := &tasks[i]
		t.Log, t.Budget = t.What+strconv.Itoa(t.Entries)+".json", budget.Milliseconds()
		f, err := factsOf(ctx, t, samples)
		if err != nil {
			return nil, err
		}
		if err := writeJSON(filepath.Join(folder, t.Log), f); err != nil {
			return nil, err
		}
	}
	if err := writeJSON(filepath.Join(folder, "tasks.json"), tasks); err != nil {
		return nil, err
	}
	return times(ctx, phone, folder, module)
}

func factsOf(ctx context.Context, t *task, samples int) (facts, error) {
	s, err := newSite(ctx, t.Entries)
	if err != nil {
		return facts{}, err
	}
	f := facts{Plan: s.changes, Months: [][]string{}, Now: last.UnixMilli()}
	more := 0
	if t.What == "steps" {
		more = samples
	}
	if t.Entries == 0 {
		return f, nil
	}
	log, after, err := drawn(s.plan, t.Entries, more)
	if err != nil {
		return f, err
	}
	if f.Now, err = moment(log[len(log)-1]); err != nil {
		return f, err
	}
	month := ""
	for _, raw := range log {
		e, err := logbook.ParseEntry(raw)
		if err != nil {
			return f, err
		}
		if m := e.ID.Month(); m != month {
			month = m
			f.Months = append(f.Months, nil)
		}
		f.Months[len(f.Months)-1] = append(f.Months[len(f.Months)-1], string(raw))
	}
	for _, raw := range after {
		now, err := moment(raw)
		if err != nil {
			return f, err
		}
		f.After = append(f.After, step{string(raw), now})
	}
	if t.What == "steps" {
		late, err := s.tardy(log, samples)
		if err != nil {
			return f, err
		}
		for _, raw := range late {
			f.Late = append(f.Late, string(raw))
		}
	}
	return f, nil
}

// times runs the measuring program and reads its rows.
func times(ctx context.Context, phone, folder, module string) ([]row, error) {
	cmd := exec.CommandContext(ctx, "node", filepath.Join(phone, "dev", "rulestimes.mjs"), folder, module)
	cmd.Stderr = os.Stderr
	cmd.WaitDelay = time.Second
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("starting node: %w", err)
	}
	var rows []row
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		var r row
		if err := json.Unmarshal(lines.Bytes(), &r); err != nil {
			_ = cmd.Wait()
			return nil, fmt.Errorf("reading a row of the module: %w", err)
		}
		rows = append(rows, r)
	}
	if err := cmd.Wait(); err != nil {
		return nil, fmt.Errorf("measuring the module: %w", err)
	}
	return rows, nil
}

// brotliSize is how many bytes the module has as the phone's server sends it at best: quality 11, a window of 2^24.
const brotliSize = `const z = require("node:zlib"), b = require("node:fs").readFileSync(process.argv[1]), c = z.constants
console.log(z.brotliCompressSync(b, { params: { [c.BROTLI_PARAM_QUALITY]: 11, [c.BROTLI_PARAM_LGWIN]: 24, [c.BROTLI_PARAM_SIZE_HINT]: b.length } }).length)`

// sizes are the module's bytes as built and compressed.
func sizes(ctx context.Context, module string) (raw, brotli int, err error) {
	info, err := os.Stat(module)
	if err != nil {
		return 0, 0, err
	}
	out, err := exec.CommandContext(ctx, "node", "-e", brotliSize, module).Output()
	if err != nil {
		return 0, 0, fmt.Errorf("compressing the module: %w", err)
	}
	if _, err := fmt.Sscan(string(out), &brotli); err != nil {
		return 0, 0, fmt.Errorf("compressing the module: %w", err)
	}
	return int(info.Size()), brotli, nil
}

func writeJSON(path string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return os.WriteFile(path, b, 0o644)
}
