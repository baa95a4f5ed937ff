package platforms

import (
	"math/rand/v2"

	"gatewright/ops/naive"
	"gatewright/ops/platforms/play"
)

// Draw makes the site of a seed and the steps in which it is told and asked: its entries in any order, some twice, so
// that late ones come after what they would have changed was answered; questions in between; now and then the state
// saved and read back; in the end, with everything there, every instant worth asking about and the wake instants.
func Draw(seed uint64) *play.Site {
	s := &play.Site{Seed: seed}
	var nows []int64
	s.Plan, s.Entries, s.Heads, nows = naive.RandomSite(seed)
	rng := rand.New(rand.NewPCG(seed, 0x706c_6179))
	for _, i := range rng.Perm(len(s.Entries)) {
		s.Steps = append(s.Steps, play.Step{Do: play.Add, N: int64(i)})
		if rng.IntN(10) == 0 {
			s.Steps = append(s.Steps, play.Step{Do: play.Add, N: int64(i)})
		}
		if rng.IntN(max(12, len(s.Entries)/6)) == 0 {
			s.Steps = append(s.Steps, play.Step{Do: play.Ask, N: nows[rng.IntN(len(nows))]})
		}
		if rng.IntN(30) == 0 {
			s.Steps = append(s.Steps, play.Step{Do: play.Reload})
		}
	}
	for _, now := range nows {
		s.Steps = append(s.Steps, play.Step{Do: play.Follow, N: now})
	}
	return s
}

// independent is ops/naive as an evaluator. It has no state to save.
type independent struct {
	site    *play.Site
	entries [][]byte
	open    *naive.Site // of the entries so far; nil when it is to be read anew
}

func (n *independent) Add(raw []byte) error {
	n.entries, n.open = append(n.entries, raw), nil
	return nil
}

func (n *independent) Reload() error { return nil }

func (n *independent) Evaluate(now int64) ([]byte, error) {
	if n.open == nil {
		var err error
		if n.open, err = naive.Open(n.site.Plan, n.entries, n.site.Heads); err != nil {
			return nil, err
		}
	}
	return n.open.Evaluate(now), nil
}
