package rules

import (
	"math/bits"

	"gatewright/schema/num"
	"gatewright/schema/rates"
)

// The rate rule takes so many milkings together, and the first so many of a
// run as what the gate could do.
const (
	rateLast = 6
	rateBase = 28
)

// reads is the subject of one gate: the flag rate. Like a check, it follows
// the summaries of milkings as long as they come in order.
type reads struct {
	fragment *fragment
	gate     *gate

	stale bool
	list  []summary
	cuts  cuts
}

// summary is one milking in its run.
type summary struct {
	f              *fact
	first          int // index of the first of its run
	passages, read int64
	broke          cut
	broken         bool
	found          verdict
}

// changed takes note that a summary became active or stopped being so.
func (r *reads) changed(e *Engine, f *fact) {
	e.touch(r.fragment)
	n := len(r.list)
	if !r.stale && f.active && (n == 0 || r.list[n-1].f.before(f)) {
		r.follow(f)
		return
	}
	r.stale = true
}

func (r *reads) renewed(e *Engine) {
	r.stale = true
	e.touch(r.fragment)
}

// follow takes the next summary; passages and read are summed over all.
func (r *reads) follow(f *fact) {
	if r.gate.plan == nil || f.passages <= 0 || f.at < r.gate.plan.Learning {
		return
	}
	n := len(r.list)
	m := summary{f: f, first: n, passages: f.passages, read: f.read}
	m.broke, m.broken = r.cuts.pass(f.at)
	if n > 0 {
		last := &r.list[n-1]
		m.passages += last.passages
		m.read += last.read
		if !m.broken {
			m.first = last.first
		}
	}
	r.list = append(r.list, m)
}

func (r *reads) refresh(e *Engine) {
	if !r.stale {
		return
	}
	r.stale, r.list = false, r.list[:0]
	var breaks []cut
	for _, id := range e.plan.PartIDs {
		if p := e.plan.Parts[id]; p.Gate == r.gate.id && isReaderPart(p) {
			e.fittings[id].active(func(f *fact) { breaks = append(breaks, cut{f.at, f.id}) })
		}
	}
	r.cuts.set(breaks)
	r.gate.herd.entries.active(r.follow)
}

func (r *reads) view(e *Engine, now int64) view {
	v := view{next: never}
	p := r.gate.plan
	if p == nil {
		return v
	}
	r.refresh(e)
	e.showRuns(&v, now, retiredAt(p.Retired), r, episode{rule: ruleRate, target: r.gate.id, severity: Watch}, r.gate.id, "", "")
	return v
}

func (r *reads) size() int        { return len(r.list) }
func (r *reads) fact(i int) *fact { return r.list[i].f }

func (r *reads) after(i int) (cut, bool) {
	if i+1 == len(r.list) {
		return r.cuts.ahead()
	}
	return r.list[i+1].broke, r.list[i+1].broken
}

// between counts over list[from:to].
func (r *reads) between(from, to int) (passages, read int64) {
	a, b := summary{}, &r.list[to-1]
	if from > 0 {
		a = r.list[from-1]
	}
	return b.passages - a.passages, b.read - a.read
}

func (r *reads) at(i int) *verdict {
	m := &r.list[i]
	if !m.found.known {
		m.found.known = true
		r.judge(i)
	}
	return &m.found
}

func (r *reads) judge(i int) {
	m := &r.list[i]
	limits := r.gate.plan.RatesAt(m.f.at)
	if limits == nil || i+1-m.first < rateLast {
		return
	}
	passages, read := r.between(i+1-rateLast, i+1)
	ps := []Param{wholeParam("passages", passages), wholeParam("read", read), microParam("rate", percent(read, passages))}
	if limits.HasLow {
		in, err := rates.Interval(rates.IntervalInput{Hits: read, Trials: passages, Confidence: 0.99, Method: "wilson"})
		if err == nil && float64(in.High*100) < limits.Low.Float() {
			m.found.found, m.found.variant = true, "low"
			m.found.params = sortParams(append(ps, microParam("low", limits.Low)))
			return
		}
	}
	if limits.Fall == 0 || i+1-m.first < rateBase+rateLast {
		return
	}
	basePassages, baseRead := r.between(m.first, m.first+rateBase)
	if !fell(baseRead, basePassages, read, passages, limits.Fall) {
		return
	}
	d, err := rates.Difference(rates.DifferenceInput{HitsA: baseRead, TrialsA: basePassages, HitsB: read, TrialsB: passages, Confidence: 0.999})
	if err == nil && d.Low > 0 {
		m.found.found, m.found.variant = true, "fall"
		m.found.params = sortParams(append(ps, microParam("base", percent(baseRead, basePassages))))
	}
}

// percent is 100 hits / trials to the millionth, half up; trials is above 0
// and hits no more than it.
func percent(hits, trials int64) num.Micro {
	const whole = uint64(100 * num.One)
	hi, lo := bits.Mul64(uint64(hits), 2*whole)
	lo, carry := bits.Add64(lo, uint64(trials), 0)
	q, _ := bits.Div64(hi+carry, lo, 2*uint64(trials))
	return num.Micro(q)
}

// fell says whether the rate a of A was higher than b of B by at least so many
// percentage points: exactly, by 100 (a B - b A) One >= fall A B.
func fell(a, as, b, bs int64, fall num.Micro) bool {
	const whole = uint64(100 * num.One)
	ahi, alo := bits.Mul64(uint64(a), uint64(bs))
	bhi, blo := bits.Mul64(uint64(b), uint64(as))
	if ahi < bhi || ahi == bhi && alo <= blo {
		return false
	}
	lo, borrow := bits.Sub64(alo, blo, 0)
	hi, _ := bits.Sub64(ahi, bhi, borrow)
	left := times(hi, lo, whole)
	hi, lo = bits.Mul64(uint64(as), uint64(bs))
	right := times(hi, lo, uint64(fall))
	for i := range left {
		if left[i] != right[i] {
			return left[i] > right[i]
		}
	}
	return true
}

// times is a product in 192 bits, greatest first.
func times(hi, lo, by uint64) [3]uint64 {
	h1, l1 := bits.Mul64(lo, by)
	h2, l2 := bits.Mul64(hi, by)
	mid, carry := bits.Add64(h1, l2, 0)
	return [3]uint64{h2 + carry, mid, l1}
}

// countsPassages says whether a check's cadence counts the gate's passages.
func (c *check) countsPassages() bool {
	for i := range c.periods {
		if c.periods[i].style == triggeredStyle && c.periods[i].events == nil {
			return true
		}
	}
	return false
}
