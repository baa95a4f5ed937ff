package rates

import (
	"gatewright/schema/num"
)

// DifferenceInput are two counts.
type DifferenceInput struct {
	HitsA      int64   `json:"hits_a" doc:"trials of A that had it" min:"0" max:"1000000000"`
	TrialsA    int64   `json:"trials_a" doc:"trials of A in all" min:"1" max:"1000000000"`
	HitsB      int64   `json:"hits_b" doc:"trials of B that had it" min:"0" max:"1000000000"`
	TrialsB    int64   `json:"trials_b" doc:"trials of B in all" min:"1" max:"1000000000"`
	Confidence float64 `json:"confidence" doc:"probability with which the interval holds the true difference" above:"0" below:"1" default:"0.95"`
}

// DifferenceResult is how far apart two rates are.
type DifferenceResult struct {
	RateA      float64 `json:"rate_a" doc:"hits_a / trials_a"`
	RateB      float64 `json:"rate_b" doc:"hits_b / trials_b"`
	Difference float64 `json:"difference" doc:"rate of A less rate of B"`
	Low        float64 `json:"low" doc:"low end of the interval of the true difference"`
	High       float64 `json:"high" doc:"high end"`
	PValue     float64 `json:"p_value" doc:"Fisher's exact test, two-sided: probability, if both rates are the same, of counts no likelier than these"`
}

// Difference is the rate of A less that of B.
//
// The interval is Newcombe's hybrid score: with Wilson's intervals l to u of
// each rate,
//
//	low  = d - sqrt((pA - lA)² + (uB - pB)²)
//	high = d + sqrt((uA - pA)² + (pB - lB)²)
//
// p_value is Fisher's exact test given all four margins: the sum of the
// hypergeometric probabilities of every table no likelier than the one
// counted, where those within 1e-7 of it count as equally likely, as R's
// fisher.test does. The interval and the test are made differently, and near
// the border one may say "different" and the other not.
//
// Tables far out add nothing that a float64 can hold and are left out, so that
// a thousand million trials on either side take some milliseconds.
//
// Errors: hits above trials, a confidence outside 0 to 1.
//
// Source: Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10;
// Fisher, The Design of Experiments (1935).
func Difference(in DifferenceInput) (DifferenceResult, error) {
	if err := confident(in.Confidence); err != nil {
		return DifferenceResult{}, err
	}
	if err := counted("hits_a", in.HitsA, "trials_a", in.TrialsA); err != nil {
		return DifferenceResult{}, err
	}
	if err := counted("hits_b", in.HitsB, "trials_b", in.TrialsB); err != nil {
		return DifferenceResult{}, err
	}
	z := -num.NormalQuantile(float64(0.5 * (1 - in.Confidence)))
	a, b := float64(in.HitsA)/float64(in.TrialsA), float64(in.HitsB)/float64(in.TrialsB)
	lowA, highA := wilson(in.HitsA, in.TrialsA, z)
	lowB, highB := wilson(in.HitsB, in.TrialsB, z)
	d := a - b
	return DifferenceResult{
		RateA: a, RateB: b, Difference: d,
		Low:    max(-1, d-hypotenuse(a-lowA, highB-b)),
		High:   min(1, d+hypotenuse(highA-a, b-lowB)),
		PValue: fisher(in.HitsA, in.TrialsA, in.HitsB, in.TrialsB),
	}, nil
}

func hypotenuse(a, b float64) float64 { return num.Sqrt(float64(a*a) + float64(b*b)) }

// table is a 2 by 2 table with fixed margins; its hits of A may be from least
// to most.
type table struct {
	trialsA, trialsB, hits float64
	least, most            float64
}

// probability is that of k hits of A: hypergeometric, from three binomial
// probabilities at the rate of both together, in which nothing large cancels
// (Loader).
func (t table) probability(k float64) float64 {
	all := t.trialsA + t.trialsB
	p, q := t.hits/all, (all-t.hits)/all
	return float64(num.Binomial(k, t.trialsA, p, q)*num.Binomial(t.hits-k, t.trialsB, p, q)) / num.Binomial(t.hits, all, p, q)
}

// up is the probability of k+1 over that of k.
func (t table) up(k float64) float64 {
	return float64(((t.trialsA - k) / (k + 1)) * ((t.hits - k) / (t.trialsB - t.hits + k + 1)))
}

// asLikely is how much likelier a table may be and still count as equally
// likely: sums in another order must not part what is equal.
const asLikely = 1e-7

// fisher sums the tail that holds the table counted, and from the other side
// what is no likelier. Probabilities fall away from the mode, so each tail
// starts at one table, found by halving, and is summed outwards from there.
func fisher(hitsA, trialsA, hitsB, trialsB int64) float64 {
	t := table{trialsA: float64(trialsA), trialsB: float64(trialsB), hits: float64(hitsA + hitsB)}
	t.least, t.most = max(0, t.hits-t.trialsB), min(t.hits, t.trialsA)
	k := float64(hitsA)
	most := float64(t.probability(k) * (1 + asLikely))
	// Where the probabilities stop rising.
	mode := t.turn(t.least, t.most, func(k float64) bool { return k == t.most || t.up(k) <= 1 })
	if t.probability(mode) <= most {
		return 1
	}
	// The greatest of the lower side and the least of the upper side that are
	// no likelier.
	low := t.turn(t.least, mode, func(k float64) bool { return t.probability(k) > most }) - 1
	high := t.turn(mode, t.most+1, func(k float64) bool { return k > t.most || t.probability(k) <= most })
	p := 0.0
	if low >= t.least {
		p += t.tail(low, -1)
	}
	if high <= t.most {
		p += t.tail(high, 1)
	}
	return min(1, p)
}

// turn is the first k from low to high for which is holds, which must hold for
// high and, once it does, go on to.
func (t table) turn(low, high float64, is func(float64) bool) float64 {
	a, b := int64(low), int64(high)
	for a < b {
		mid := a + (b-a)/2
		if is(float64(mid)) {
			b = mid
		} else {
			a = mid + 1
		}
	}
	return float64(a)
}

// tail sums the probabilities from k outwards until they add nothing.
func (t table) tail(k, step float64) float64 {
	term, sum := 1.0, 0.0
	start := k
	for k >= t.least && k <= t.most && term > float64(sum*0x1p-60) {
		sum += term
		if step > 0 {
			term = float64(term * t.up(k))
		} else {
			term = term / t.up(k-1)
		}
		k += step
	}
	return float64(t.probability(start) * sum)
}
