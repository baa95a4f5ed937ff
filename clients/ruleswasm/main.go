//go:build wasip1

package main

import (
	"unsafe"

	"gatewright/schema/canon"
	"gatewright/schema/logbook"
	"gatewright/schema/rules"
	"gatewright/sync/change"
	"gatewright/sync/fold"
)

// One state: a module instance serves one site on one phone.
var (
	input  []byte
	result []byte

	engine   = rules.New()
	plan     = fold.New()
	rejected []rejection
	// stale says that the plan has changed since the engine last saw it.
	stale bool
)

type rejection struct{ id, why string }

//go:wasmexport gw_input
func gwInput(n int32) unsafe.Pointer {
	if n < 1 {
		n = 1
	}
	if cap(input) < int(n) {
		input = make([]byte, n)
	}
	input = input[:n]
	return unsafe.Pointer(&input[0])
}

//go:wasmexport gw_result
func gwResult() unsafe.Pointer {
	if len(result) == 0 {
		return nil
	}
	return unsafe.Pointer(&result[0])
}

//go:wasmexport gw_result_size
func gwResultSize() int32 { return int32(len(result)) }

//go:wasmexport gw_reset
func gwReset() {
	engine, plan, rejected, stale = rules.New(), fold.New(), nil, false
	result = result[:0]
}

// gw_save gives what gw_load reads: entries and heads of the months before the
// one named, so that they need not be read again.
//
//go:wasmexport gw_save
func gwSave(n int32) int32 {
	result = append(result[:0], engine.SaveBefore(string(input[:n]))...)
	return 0
}

// gw_load begins anew from a saved state. The plan is told again in any case:
// its changes are what the projection is made of.
//
//go:wasmexport gw_load
func gwLoad(n int32) int32 {
	loaded, err := rules.Load(input[:n])
	if err != nil {
		result = append(result[:0], err.Error()...)
		return -1
	}
	engine, plan, rejected, stale = loaded, fold.New(), nil, false
	return 0
}

//go:wasmexport gw_plan_change
func gwPlanChange(n int32) int32 {
	// The decoder and the fold keep what they are given, the buffer is used again.
	bytes := append([]byte(nil), input[:n]...)
	c, err := change.Decode(bytes, change.DefaultLimits)
	if err == nil {
		err = plan.Apply(c)
	}
	if err != nil {
		result = append(result[:0], err.Error()...)
		return -1
	}
	stale = true
	return 0
}

// usualEntry is about what an entry takes, in bytes, to guess from it how many come.
const usualEntry = 220

//go:wasmexport gw_entries
func gwEntries(n int32) int32 {
	var added int32
	// The engine keeps ids and copies of what else it needs: the text of all entries is copied here once, and one
	// entry serves for all of them.
	var entry logbook.Entry
	engine.Grow(int(n) / usualEntry)
	for rest := string(input[:n]); len(rest) >= 4; {
		size := int(rest[0]) | int(rest[1])<<8 | int(rest[2])<<16 | int(rest[3])<<24
		if size < 0 || size > len(rest)-4 {
			result = append(result[:0], "an entry is longer than what was handed over"...)
			return -1
		}
		raw := rest[4 : 4+size]
		rest = rest[4+size:]
		if err := logbook.ReadEntry(&entry, raw); err != nil {
			rejected = append(rejected, rejection{id: idOf([]byte(raw)), why: err.Error()})
			continue
		}
		if engine.Add(&entry) {
			added++
		}
	}
	return added
}

// idOf finds the id of an entry that could not be read, for the list of those.
func idOf(raw []byte) string {
	v, err := canon.Parse(raw)
	if err != nil {
		return ""
	}
	for i, key := range v.Keys {
		if key == "id" {
			return v.Vals[i].Str
		}
	}
	return ""
}

//go:wasmexport gw_heads
func gwHeads(n int32) {
	lines := split(string(input[:n]))
	engine.SetHeads(lines[0], lines[1:])
}

// split cuts text into its lines; an empty text is one empty line.
func split(text string) []string {
	var lines []string
	for start, i := 0, 0; i <= len(text); i++ {
		if i == len(text) || text[i] == '\n' {
			if i > start || len(lines) == 0 {
				lines = append(lines, text[start:i])
			}
			start = i + 1
		}
	}
	return lines
}

//go:wasmexport gw_evaluate
func gwEvaluate(now int64) int32 {
	if stale {
		projection := plan.JSON()
		parsed, err := logbook.ParsePlan(projection)
		if err != nil {
			result = append(result[:0], err.Error()...)
			return -1
		}
		engine.SetPlan(parsed, projection)
		stale = false
	}
	result = engine.Evaluate(now).AppendJSON(result[:0])
	return 0
}

//go:wasmexport gw_plan
func gwPlan() int32 {
	result = append(result[:0], plan.JSON()...)
	return 0
}

//go:wasmexport gw_conflicts
func gwConflicts() int32 {
	result = append(result[:0], '[')
	for i, conflict := range plan.Conflicts() {
		if i > 0 {
			result = append(result, ',')
		}
		result = append(result, `{"path":[`...)
		for j, step := range conflict.Path {
			if j > 0 {
				result = append(result, ',')
			}
			result = canon.AppendString(result, step)
		}
		result = append(result, `],"changes":[`...)
		for j, live := range conflict.Values {
			if j > 0 {
				result = append(result, ',')
			}
			result = append(result, '"')
			result = append(result, live.Change.String()...)
			result = append(result, '"')
		}
		result = append(result, `]}`...)
	}
	result = append(result, ']')
	return 0
}

//go:wasmexport gw_rejected
func gwRejected() int32 {
	result = append(result[:0], '[')
	for i, r := range rejected {
		if i > 0 {
			result = append(result, ',')
		}
		result = append(result, `{"id":`...)
		result = canon.AppendString(result, r.id)
		result = append(result, `,"why":`...)
		result = canon.AppendString(result, r.why)
		result = append(result, '}')
	}
	result = append(result, ']')
	return 0
}
