package scenario

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/schema/rules"
)

// instant is local time with its offset, to the minute unless there is more.
func (w *World) instant(ms int64) string {
	t := time.UnixMilli(ms).In(w.loc)
	switch {
	case ms%60_000 == 0:
		return t.Format("2006-01-02T15:04Z07:00")
	case ms%1000 == 0:
		return t.Format("2006-01-02T15:04:05Z07:00")
	}
	return t.Format("2006-01-02T15:04:05.000Z07:00")
}

// name gives the name in the story of a person, a device or an entry.
func (w *World) name(id string) string {
	if n, ok := w.names[id]; ok {
		return n
	}
	return id
}

// Call gives an entry a name in the story.
func (w *World) Call(id logbook.EntryID, name string) { w.names[string(id)] = name }

// named puts names in the place of ids in a sentence.
func (w *World) named(s string) string {
	var pairs []string
	for _, id := range slices.Sorted(maps.Keys(w.names)) {
		if id != w.names[id] {
			pairs = append(pairs, id, w.names[id])
		}
	}
	return strings.NewReplacer(pairs...).Replace(s)
}

// Parts of the rules' output that can be told.
const (
	PartDue        = "due"
	PartFlags      = "flags"
	PartCompletion = "completion"
	PartFuture     = "future"
	PartWake       = "wake"
)

// Tell puts the rules' output into words, one line for each thing.
func (w *World) Tell(o *rules.Output, parts ...string) string {
	if len(parts) == 0 {
		parts = []string{PartDue, PartFlags, PartFuture}
	}
	var b strings.Builder
	for _, part := range parts {
		switch part {
		case PartDue:
			for i := range o.Due {
				b.WriteString(w.dueLine(&o.Due[i]) + "\n")
			}
		case PartFlags:
			for i := range o.Flags {
				b.WriteString(w.flagLine(&o.Flags[i]) + "\n")
			}
		case PartCompletion:
			for _, c := range o.Completion {
				fmt.Fprintf(&b, "completion %s n=%d done=%d late=%d missed=%d from=%s to=%s\n",
					c.Check, c.N, c.Done, c.Late, c.Missed, w.instant(c.From), w.instant(c.To))
			}
		case PartFuture:
			if o.Future > 0 {
				fmt.Fprintf(&b, "future %d\n", o.Future)
			}
		case PartWake:
			if o.HasWake {
				fmt.Fprintf(&b, "wake %s\n", w.instant(o.Wake))
			} else {
				b.WriteString("wake never\n")
			}
		}
	}
	return b.String()
}

func (w *World) dueLine(i *rules.Item) string {
	line := "due " + i.Check
	if i.Why != rules.WhyCadence {
		line += " " + i.Why
	}
	line += " " + string(i.State)
	if i.State != rules.Parked {
		line += " opens=" + w.instant(i.Opens) + " due=" + w.instant(i.Due) + " late=" + w.instant(i.Late)
	}
	if i.Last != nil {
		line += " last=" + w.done(i.Last)
	}
	if i.Missed > 0 {
		line += " missed=" + strconv.Itoa(i.Missed)
	}
	return line
}

func (w *World) done(d *rules.Done) string { return w.instant(d.At) + "/" + w.name(d.By) }

func (w *World) flagLine(f *rules.Flag) string {
	rule, target, _ := strings.Cut(f.Subject, "/")
	line := "flag " + string(f.Severity) + " " + rule + "/" + w.name(target)
	if variant := strings.TrimPrefix(f.Key, "flag."+rule); variant != "" {
		line += " " + strings.TrimPrefix(variant, ".")
	}
	line += " raised=" + w.instant(f.Raised)
	if f.HasCleared {
		line += " cleared=" + w.instant(f.Cleared)
	}
	for _, p := range f.Params {
		line += " " + p.Name + "=" + w.param(p)
	}
	if f.Taken != nil {
		line += " taken=" + w.done(f.Taken)
	}
	if f.Dismissed != nil {
		line += " dismissed=" + w.done(f.Dismissed) + " " + strconv.Quote(f.Dismissed.Why)
	}
	return line
}

func (w *World) param(p rules.Param) string {
	switch {
	case p.IsText:
		return w.name(p.Text)
	case !p.IsWhole:
		return string(p.Number.Append(nil))
	case p.Name == "offset":
		return (time.Duration(p.Whole) * time.Millisecond).String()
	case slices.Contains([]string{"due", "last", "since", "at_a", "at_b"}, p.Name):
		return w.instant(p.Whole)
	}
	return strconv.FormatInt(p.Whole, 10)
}

// entryLine puts an entry into words.
func (w *World) entryLine(e *logbook.Entry) string {
	line := w.instant(e.At) + " " + string(e.Kind)
	add := func(key, value string) {
		if value != "" {
			line += " " + key + "=" + value
		}
	}
	line += " by=" + w.name(e.By)
	add("dev", w.name(e.Dev))
	add("gate", e.Gate)
	add("check", e.Check)
	if e.HasValue {
		line += " value=" + string(e.Value.Append(nil)) + " " + e.Unit
	}
	add("marks", e.Marks)
	add("mode", e.Mode)
	add("of", w.name(string(e.Of)))
	add("replaces", w.name(string(e.Replaces)))
	add("how", e.How)
	add("via", w.name(e.Via))
	if e.Kind == logbook.Clock {
		add("device", w.name(e.Device))
		add("offset", (time.Duration(e.Offset) * time.Millisecond).String())
	}
	if e.Kind == logbook.Park {
		add("out", strconv.FormatBool(e.Out))
	}
	add("text", e.Text)
	return line
}

// parcelLine puts a parcel of an outbox into words.
func (w *World) parcelLine(p phonesim.Parcel) (string, error) {
	e, err := logbook.ParseEntry([]byte(p.Raw))
	if err != nil {
		return "", err
	}
	line := string(p.State) + " "
	if name, ok := w.names[string(p.ID)]; ok {
		line += name + ": "
	}
	line += w.entryLine(e)
	if p.State != phonesim.Waiting {
		line += " (" + p.Code + ": " + w.named(p.Reason) + ")"
	}
	return line, nil
}
