package main

import (
	"fmt"
	"io"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// report is what --json writes.
type report struct {
	Machine struct {
		CPUs       int    `json:"cpus"`
		System     string `json:"system"`
		FileSystem string `json:"file_system"`
		Go         string `json:"go"`
		Node       string `json:"node"`
		Begun      string `json:"begun"`
		Quick      bool   `json:"quick"`
	} `json:"machine"`
	Rows   []row   `json:"rows"`
	Ratios []ratio `json:"ratios"`
}

// ratio is a peer's figure divided by ours, in one case: above 1 ours is the less costly.
type ratio struct {
	Case   string   `json:"case"`
	Server string   `json:"server"`
	CPU    *float64 `json:"cpu,omitempty"`
	P50    *float64 `json:"p50,omitempty"`
	P99    *float64 `json:"p99,omitempty"`
	Memory *float64 `json:"memory,omitempty"`
	Up     *float64 `json:"up,omitempty"`
	Down   *float64 `json:"down,omitempty"`
}

func newReport(folder string, s settings) *report {
	r := &report{Rows: []row{}, Ratios: []ratio{}}
	m := &r.Machine
	m.CPUs, m.System, m.Go, m.FileSystem, m.Quick = runtime.NumCPU(), runtime.GOOS+"/"+runtime.GOARCH, runtime.Version(), fileSystem(folder), s.quick
	m.Begun = time.Now().UTC().Format(time.RFC3339)
	if out, err := exec.Command("node", "--version").Output(); err == nil {
		m.Node = strings.TrimSpace(string(out))
	} else {
		m.Node = "none"
	}
	return r
}

func (r *report) printMachine(w io.Writer) {
	m := r.Machine
	fmt.Fprintf(w, "%s, %d CPUs shared by server and load, %s, %s, Node %s, begun %s\n", m.System, m.CPUs, m.FileSystem, m.Go, m.Node, m.Begun)
	if m.FileSystem == "tmpfs" {
		fmt.Fprintln(w, "the data folder is in memory: what is said of durability means nothing here; choose another with --data")
	}
	fmt.Fprintln(w, "late p99 is how late the load itself was to send: where it is above a few ms the machine was busy, and latencies are not the servers' own")
}

// column is one column of the table; it is shown when some row has it.
type column struct {
	head string
	of   func(row) string
}

func number(digits int, of func(row) *float64) func(row) string {
	return func(r row) string {
		if f := of(r); f != nil {
			return fmt.Sprintf("%.*f", digits, *f)
		}
		return ""
	}
}

func count(of func(row) int) func(row) string {
	return func(r row) string {
		if n := of(r); n != 0 {
			return fmt.Sprint(n)
		}
		return ""
	}
}

var columns = []column{
	{"server", func(r row) string { return r.Server }},
	{"log", count(func(r row) int { return r.Log })},
	{"phones", count(func(r row) int { return r.Phones })},
	{"p50 ms", number(2, func(r row) *float64 { return r.P50 })},
	{"p99 ms", number(1, func(r row) *float64 { return r.P99 })},
	{"CPU s/1000", number(3, func(r row) *float64 { return r.CPU })},
	{"x CPU", number(2, func(r row) *float64 { return r.Ratio })},
	{"x p50", number(2, func(r row) *float64 { return r.RatioP50 })},
	{"start ms", number(0, func(r row) *float64 { return r.Start })},
	{"RSS MB", number(1, func(r row) *float64 { return r.RSS })},
	{"at once kB/phone", number(1, func(r row) *float64 { return r.AtOnce })},
	{"kB/phone", number(1, func(r row) *float64 { return r.PerPhone })},
	{"peak MB", number(1, func(r row) *float64 { return r.Peak })},
	{"change B", number(0, func(r row) *float64 { return r.Change })},
	{"up B", number(0, func(r row) *float64 { return r.Up })},
	{"down B", number(0, func(r row) *float64 { return r.Down })},
	{"ack p50", number(2, func(r row) *float64 { return r.AckP50 })},
	{"ack p99", number(1, func(r row) *float64 { return r.AckP99 })},
	{"acks/s", number(0, func(r row) *float64 { return r.AckRate })},
	{"sync p50", number(2, func(r row) *float64 { return r.SyncP50 })},
	{"sync p99", number(1, func(r row) *float64 { return r.SyncP99 })},
	{"late p99", number(1, func(r row) *float64 { return r.LateP99 })},
	{"delivered", count(func(r row) int { return r.Deliveries })},
	{"runs", count(func(r row) int { return r.Runs })},
	{"note", func(r row) string { return r.Note }},
}

func (r *report) printRows(w io.Writer, rows []row) {
	var shown []column
	for _, c := range columns {
		for _, row := range rows {
			if c.of(row) != "" {
				shown = append(shown, c)
				break
			}
		}
	}
	table(w, len(rows), len(shown), func(i int) string { return shown[i].head }, func(n, i int) string { return shown[i].of(rows[n]) })
}

func table(w io.Writer, rows, columns int, head func(i int) string, cell func(n, i int) string) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for n := -1; n < rows; n++ {
		for i := range columns {
			text := ""
			if n < 0 {
				text = head(i)
			} else if text = cell(n, i); text == "" {
				text = "-"
			}
			fmt.Fprint(t, text, "\t")
		}
		fmt.Fprintln(t)
	}
	_ = t.Flush() // a broken pipe is seen by who reads it
}

// compared are the cases in which each server has one row, of the same kind.
var compared = []string{"yard", "crowd", "catchup", "idle"}

// compare works out the ratios of the peers to ours, case by case.
func (r *report) compare() {
	own := map[string]row{}
	for _, x := range r.Rows {
		if x.Server == serverNames[0] {
			own[x.Case] = x
		}
	}
	for _, x := range r.Rows {
		o, ok := own[x.Case]
		if !ok || x.Server == o.Server || !slices.Contains(compared, x.Case) {
			continue
		}
		q := ratio{Case: x.Case, Server: x.Server, CPU: divide(x.CPU, o.CPU), P50: divide(x.P50, o.P50), P99: divide(x.P99, o.P99),
			Memory: divide(x.Peak, o.Peak), Up: divide(x.Up, o.Up), Down: divide(x.Down, o.Down)}
		if x.AtOnce != nil {
			q.Memory = divide(x.AtOnce, o.AtOnce)
		}
		if q.CPU != nil || q.P50 != nil || q.Memory != nil || q.Up != nil {
			r.Ratios = append(r.Ratios, q)
		}
	}
}

func divide(a, b *float64) *float64 {
	if a == nil || b == nil || *b == 0 {
		return nil
	}
	return figure(*a / *b)
}

func (r *report) printRatios(w io.Writer) {
	if len(r.Ratios) == 0 {
		return
	}
	fmt.Fprintf(w, "\na ratio per peer: its figure divided by that of %s\n", serverNames[0])
	heads := []string{"case", "server", "CPU", "p50", "p99", "memory", "up", "down"}
	table(w, len(r.Ratios), len(heads), func(i int) string { return heads[i] }, func(n, i int) string {
		q := r.Ratios[n]
		if i < 2 {
			return []string{q.Case, q.Server}[i]
		}
		if f := []*float64{q.CPU, q.P50, q.P99, q.Memory, q.Up, q.Down}[i-2]; f != nil {
			return fmt.Sprintf("%.2f", *f)
		}
		return ""
	})
}
