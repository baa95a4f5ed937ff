package rules

import (
	"bytes"
	"cmp"
	"math"
	"slices"

	"gatewright/schema/cadence"
	"gatewright/schema/logbook"
)

const (
	never    = math.MaxInt64
	minuteMs = 60 * 1000
	// keepMs is how long a cleared flag stays listed.
	keepMs = 14 * 24 * 60 * minuteMs
)

// view is what one subject shows at an instant. next is an instant before
// which it shows the same, given the same entries; never when it always will.
type view struct {
	due        []Item
	completion *Completion
	flags      []Flag
	next       int64
}

// soon notes that the view may change at t.
func (v *view) soon(now, t int64) {
	if t > now && t < v.next {
		v.next = t
	}
}

func (v *view) appendJSON(b []byte) []byte {
	if v.completion != nil {
		b = v.completion.appendJSON(b)
	}
	for i := range v.due {
		b = v.due[i].appendJSON(append(b, ','))
	}
	for i := range v.flags {
		b = v.flags[i].appendJSON(append(b, ';'))
	}
	return b
}

// viewer is one subject: a check, a gate, a fault, a device's clock, an odd
// entry. Its view is a function of plan, entries in force and now alone.
type viewer interface {
	view(e *Engine, now int64) view
}

// fragment is a subject with its cached view, good for from <= now < until.
type fragment struct {
	viewer      viewer
	v           view
	from, until int64
	dirty       bool
	listed      bool // in Engine.live
}

// subject is a fragment for a new subject.
func (e *Engine) subject() *fragment {
	h := &fragment{}
	e.all = append(e.all, h)
	e.touch(h)
	return h
}

func (e *Engine) touch(h *fragment) {
	h.dirty = true
	if !h.listed {
		h.listed = true
		e.live = append(e.live, h)
	}
}

// work computes the view at now, and the exact instant at which it changes:
// an instant that next proposes is only taken when the view then differs.
func (e *Engine) work(h *fragment, now int64) {
	h.dirty, h.from = false, now
	h.v = h.viewer.view(e, now)
	h.until = h.v.next
	if h.until == never {
		return
	}
	have := h.v.appendJSON(nil)
	var then []byte
	// The bound is never reached (each proposal is a change or one of a few
	// that hide behind another); with it a mistake costs exactness, not a hang.
	for range 10000 {
		v := h.viewer.view(e, h.until)
		then = v.appendJSON(then[:0])
		if !bytes.Equal(have, then) {
			return
		}
		h.until = v.next
		if h.until == never {
			return
		}
	}
}

// Evaluate judges the site at an instant. The result is a function of the
// plan, the entries, the heads and now alone; it costs what changed since the
// last call, and the size of the output. The output shares nothing that a
// later call changes.
func (e *Engine) Evaluate(now int64) *Output {
	e.settle(now)
	out := &Output{Basis: e.basis(now), Future: len(e.order) - e.cut}
	wake := int64(never)
	if e.cut < len(e.order) {
		wake = e.order[e.cut].at
	}
	live := e.live[:0]
	for _, h := range e.live {
		if h.dirty || now < h.from || now >= h.until {
			e.work(h, now)
		}
		v := &h.v
		wake = min(wake, h.until)
		if v.completion == nil && len(v.due) == 0 && len(v.flags) == 0 && h.until == never {
			h.listed = false
			continue
		}
		live = append(live, h)
		if v.completion != nil {
			out.Completion = append(out.Completion, *v.completion)
		}
		out.Due = append(out.Due, v.due...)
		out.Flags = append(out.Flags, v.flags...)
	}
	clear(e.live[len(live):])
	e.live = live
	if wake != never {
		out.Wake, out.HasWake = wake, true
	}
	slices.SortFunc(out.Completion, func(a, b Completion) int { return cmp.Compare(a.Check, b.Check) })
	slices.SortFunc(out.Due, compareItems)
	slices.SortFunc(out.Flags, func(a, b Flag) int {
		return cmp.Or(cmp.Compare(a.Raised, b.Raised), cmp.Compare(a.Subject, b.Subject))
	})
	return out
}

func (e *Engine) basis(now int64) Basis {
	b := Basis{Now: now, Documents: make(map[string][]string, len(e.heads))}
	for doc, heads := range e.heads {
		b.Documents[doc] = heads
	}
	if e.plan != nil {
		b.TZ = e.plan.Site.TZVersion
	}
	return b
}

// dayOf is the local date of t: its first instant and that of the next date.
func (e *Engine) dayOf(t int64) (start, next int64) {
	if d := &e.day; t < d.start || t >= d.next {
		d.start, d.next = cadence.DayStart(e.loc, t), cadence.NextDay(e.loc, t)
	}
	return e.day.start, e.day.next
}

// episode is one stretch of a flag's life, [raised, cleared); cleared is never
// while nothing ends it.
type episode struct {
	rule            string
	target          string
	severity        Severity
	variant         string
	raised, cleared int64
	params          []Param
	entries         []logbook.EntryID
}

// show lists the episode as a flag in the view when it is to be seen at now.
func (e *Engine) show(v *view, now int64, ep *episode, gate, part, check string) {
	if ep.raised >= ep.cleared {
		return
	}
	v.soon(now, ep.raised)
	v.soon(now, ep.cleared)
	if ep.raised > now {
		return
	}
	f := Flag{
		Subject: ep.rule + "/" + ep.target, Rule: ep.rule, Severity: ep.severity,
		Gate: gate, Part: part, Check: check,
		Raised: ep.raised, Key: "flag." + ep.rule, Params: ep.params, Entries: sortIDs(slices.Clone(ep.entries)),
	}
	if ep.variant != "" {
		f.Key += "." + ep.variant
	}
	if ep.cleared <= now {
		if now-ep.cleared >= keepMs {
			return
		}
		v.soon(now, ep.cleared+keepMs)
		f.Cleared, f.HasCleared = ep.cleared, true
	}
	e.applyActs(&f, ep)
	v.flags = append(v.flags, f)
}

// applyActs says who has taken and who has dismissed the flag in the episode.
func (e *Engine) applyActs(f *Flag, ep *episode) {
	e.acts[f.Subject].active(func(a *fact) {
		if a.at < ep.raised || a.at >= ep.cleared {
			return
		}
		f.Acts = append(f.Acts, a.id)
		switch a.kind {
		case logbook.Take:
			if f.Taken == nil {
				f.Taken = &Done{At: a.at, By: a.by, Entry: a.id}
			}
		case logbook.Handback:
			f.Taken = nil
		case logbook.Dismiss:
			if f.Dismissed == nil {
				f.Dismissed = &Done{At: a.at, By: a.by, Entry: a.id, Why: a.why}
			}
		}
	})
	sortIDs(f.Acts)
}
