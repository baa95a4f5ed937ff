package rules

import (
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
	listed      bool  // in Engine.live
	changed     parts // of the view since they were last put in the listing
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
	before := h.v
	h.dirty, h.from = false, now
	h.v = h.viewer.view(e, now)
	h.changed |= differ(&before, &h.v)
	h.until = h.v.next
	// The bound is never reached (each proposal is a change or one of a few
	// that hide behind another); with it a mistake costs exactness, not a hang.
	for range 10000 {
		if h.until == never {
			return
		}
		v := h.viewer.view(e, h.until)
		if differ(&h.v, &v) != 0 {
			return
		}
		h.until = v.next
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
	var changed parts
	for _, h := range e.live {
		if h.dirty || now < h.from || now >= h.until {
			e.work(h, now)
			changed |= h.changed
		}
		v := &h.v
		wake = min(wake, h.until)
		if h.changed == 0 && v.completion == nil && len(v.due) == 0 && len(v.flags) == 0 && h.until == never {
			h.listed = false
			continue
		}
		live = append(live, h)
	}
	clear(e.live[len(live):])
	e.live = live
	if wake != never {
		out.Wake, out.HasWake = wake, true
	}
	e.shown.renew(live, changed)
	out.Completion, out.Due, out.Flags = e.shown.completion.list, e.shown.due.list, e.shown.headed
	return out
}

func (e *Engine) basis(now int64) Basis {
	e.headsLent = true
	b := Basis{Now: now, Documents: e.heads}
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
	l := e.acts[f.Subject]
	if l == nil {
		return
	}
	for _, a := range l.list[l.from(ep.raised):] {
		if a.at >= ep.cleared {
			break
		}
		if !a.active {
			continue
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
	}
	sortIDs(f.Acts)
}
