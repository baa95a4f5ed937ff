package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
)

// row is one line of the report. What was not measured is left out.
type row struct {
	Case    string `json:"case"`
	Where   string `json:"where"` // native, chromium, node
	Entries int    `json:"entries,omitempty"`
	Runs    int    `json:"runs,omitempty"` // samples that the figures are of

	Plan  float64 `json:"plan_ms,omitempty"` // changes decoded, folded, projected and read
	Parse float64 `json:"parse_ms,omitempty"`
	Judge float64 `json:"judge_ms,omitempty"`
	Write float64 `json:"write_ms,omitempty"` // the answer as JSON
	Total float64 `json:"total_ms,omitempty"`

	P50      float64 `json:"p50_us,omitempty"`
	P99      float64 `json:"p99_us,omitempty"`
	WriteP50 float64 `json:"write_p50_us,omitempty"`
	Ratio    float64 `json:"ratio,omitempty"` // p50 to that beside the smallest log of the same case
	Heap     float64 `json:"heap_mb,omitempty"`
	Output   int     `json:"output_bytes,omitempty"`

	Raw     int     `json:"raw_bytes,omitempty"`
	Brotli  int     `json:"brotli_bytes,omitempty"`
	Compile float64 `json:"compile_ms,omitempty"`
	Start   float64 `json:"start_ms,omitempty"` // instantiate and initialise
	Note    string  `json:"note,omitempty"`
}

// ratios sets each row's p50 beside that of the smallest log in its case.
func ratios(rows []row) {
	type series struct{ name, where string }
	base := map[series]row{}
	for _, r := range rows {
		k := series{r.Case, r.Where}
		if b, ok := base[k]; r.P50 > 0 && (!ok || r.Entries < b.Entries) {
			base[k] = r
		}
	}
	for i := range rows {
		if b := base[series{rows[i].Case, rows[i].Where}]; b.P50 > 0 && rows[i].Entries > b.Entries {
			rows[i].Ratio = rows[i].P50 / b.P50
		}
	}
}

type column struct {
	head string
	of   func(row) string
}

func number(digits int, of func(row) float64) func(row) string {
	return func(r row) string {
		if f := of(r); f != 0 {
			return fmt.Sprintf("%.*f", digits, f)
		}
		return "-"
	}
}

func count(of func(row) int) func(row) string {
	return number(0, func(r row) float64 { return float64(of(r)) })
}

var columns = []column{
	{"case", func(r row) string { return r.Case }},
	{"where", func(r row) string { return r.Where }},
	{"entries", count(func(r row) int { return r.Entries })},
	{"plan ms", number(2, func(r row) float64 { return r.Plan })},
	{"parse ms", number(1, func(r row) float64 { return r.Parse })},
	{"judge ms", number(1, func(r row) float64 { return r.Judge })},
	{"write ms", number(2, func(r row) float64 { return r.Write })},
	{"total ms", number(1, func(r row) float64 { return r.Total })},
	{"p50 us", number(1, func(r row) float64 { return r.P50 })},
	{"p99 us", number(1, func(r row) float64 { return r.P99 })},
	{"ratio", number(2, func(r row) float64 { return r.Ratio })},
	{"write p50 us", number(1, func(r row) float64 { return r.WriteP50 })},
	{"heap MB", number(1, func(r row) float64 { return r.Heap })},
	{"output B", count(func(r row) int { return r.Output })},
	{"raw B", count(func(r row) int { return r.Raw })},
	{"brotli B", count(func(r row) int { return r.Brotli })},
	{"compile ms", number(1, func(r row) float64 { return r.Compile })},
	{"start ms", number(1, func(r row) float64 { return r.Start })},
	{"runs", count(func(r row) int { return r.Runs })},
	{"note", func(r row) string { return r.Note }},
}

// print writes the rows of each case as a table of the columns that some of them have.
func print(w io.Writer, rows []row) {
	for begin, end := 0, 0; begin < len(rows); begin = end {
		for end = begin; end < len(rows) && rows[end].Case == rows[begin].Case; end++ {
		}
		part := rows[begin:end]
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for n := -1; n < len(part); n++ {
			for _, c := range columns {
				used := false
				for _, r := range part {
					s := c.of(r)
					used = used || s != "-" && s != ""
				}
				switch {
				case !used:
				case n < 0:
					fmt.Fprint(t, c.head, "\t")
				default:
					fmt.Fprint(t, c.of(part[n]), "\t")
				}
			}
			fmt.Fprintln(t)
		}
		_ = t.Flush() // a broken pipe is seen by who reads it
		fmt.Fprintln(w)
	}
}

func save(path string, rows []row) error {
	out, err := json.MarshalIndent(map[string]any{"rows": rows}, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(out, '\n'), 0o644)
}
