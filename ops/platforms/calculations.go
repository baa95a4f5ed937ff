package platforms

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"gatewright/schema/calc"
	"gatewright/schema/canon"
)

// Calculations is what came of the calculations, on platforms alone: ops/naive knows none of them.
type Calculations struct {
	Inputs    int `json:"inputs"`
	Answered  int `json:"answered"` // the others were refused, everywhere with the same sentence
	Different int `json:"different"`
}

// calculate gives every program the same inputs of every calculation and compares what they answer and refuse.
func (t *Trial) calculate(ctx context.Context) (*Calculations, error) {
	lines, err := drawCalculations(ctx, t.First, t.Variations)
	if err != nil {
		return nil, err
	}
	c := &Calculations{Inputs: len(lines)}
	if len(lines) == 0 {
		return c, nil
	}
	said := map[string][]string{}
	for _, m := range t.programs {
		if said[m.name], err = m.calculations(ctx, lines); err != nil {
			return nil, err
		}
	}
	for i, line := range lines {
		texts := map[string]bool{}
		for _, m := range t.programs {
			texts[said[m.name][i]] = true
		}
		for text := range texts {
			if len(texts) == 1 && !strings.HasPrefix(text, `{"error":`) {
				c.Answered++
			}
		}
		if len(texts) > 1 {
			if c.Different++; c.Different <= shown {
				fmt.Fprintf(t.Says, "calculation %s\n", line)
				for _, m := range t.programs {
					fmt.Fprintf(t.Says, "  %-9s %s\n", m.name, said[m.name][i])
				}
			}
		}
	}
	return c, nil
}

func (m program) calculations(ctx context.Context, lines []string) ([]string, error) {
	cmd := m.cmd(ctx, "calculations")
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	var complaint tail
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("calculations on %s: %w\n%s", m.name, err, complaint.String())
	}
	said := strings.Split(string(bytes.TrimSuffix(out, []byte("\n"))), "\n")
	if len(said) != len(lines) {
		return nil, fmt.Errorf("%s answered %d of %d calculations", m.name, len(said), len(lines))
	}
	return said, nil
}

// drawCalculations makes so many inputs of each calculation, from the example that stands beside the list of them:
// the example itself, and others with its numbers moved.
func drawCalculations(ctx context.Context, seed uint64, variations int) ([]string, error) {
	if variations == 0 {
		return nil, nil
	}
	folder, err := exec.CommandContext(ctx, "go", "list", "-f", "{{.Dir}}", "gatewright/schema/calc").Output()
	if err != nil {
		return nil, fmt.Errorf("finding the examples of calculations: %w", err)
	}
	text, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(folder)), "testdata", "examples.json"))
	if err != nil {
		return nil, fmt.Errorf("reading the examples of calculations: %w", err)
	}
	examples, err := canon.Parse(text)
	if err != nil {
		return nil, fmt.Errorf("reading the examples of calculations: %w", err)
	}
	rng := rand.New(rand.NewPCG(seed, 0x6361_6c63))
	var lines []string
	for _, c := range calc.All() {
		example, ok := examples.Get(c.Name)
		if !ok {
			return nil, fmt.Errorf("%s has no example", c.Name)
		}
		for i := range variations {
			var line canon.Value
			line.Set("calculation", canon.Text(c.Name))
			line.Set("input", example)
			if i > 0 {
				line.Set("input", moved(rng, example))
			}
			lines = append(lines, string(canon.Append(nil, line)))
		}
	}
	return lines, nil
}

// moved is a value with some of its numbers changed, mostly by little, and now and then a list shortened.
func moved(rng *rand.Rand, v canon.Value) canon.Value {
	switch v.Kind {
	case canon.Number:
		f := v.Num
		switch rng.IntN(12) {
		case 0, 1, 2:
			return v
		case 3:
			f *= math.Ldexp(1, rng.IntN(41)-20)
		case 4:
			f = -f
		case 5:
			f += float64(rng.IntN(3) - 1)
		default:
			f *= 0.8 + 0.4*rng.Float64()
		}
		if whole := v.Num == math.Trunc(v.Num); whole && rng.IntN(4) > 0 {
			f = math.Round(f)
		}
		return canon.Num64(f)
	case canon.List:
		list := canon.ListOf()
		for i, item := range v.List {
			if i > 1 && rng.IntN(60) == 0 {
				break
			}
			list.List = append(list.List, moved(rng, item))
		}
		return list
	case canon.Object:
		object := canon.Value{Kind: canon.Object}
		for i, key := range v.Keys {
			object.Set(key, moved(rng, v.Vals[i]))
		}
		return object
	}
	return v
}
