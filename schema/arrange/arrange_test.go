package arrange

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"testing"
)

// Oracle: package slices, stable.
func TestBy(t *testing.T) {
	type pair struct{ key, place int }
	r := rand.New(rand.NewPCG(31, 32))
	for n := range 400 {
		for _, keys := range []int{1, 3, n + 1, 10*n + 1} {
			list := make([]pair, n)
			for i := range list {
				list[i] = pair{r.IntN(keys), i}
			}
			switch r.IntN(4) {
			case 0: // already in order
				slices.SortStableFunc(list, func(a, b pair) int { return cmp.Compare(a.key, b.key) })
			case 1: // in order but for the last
				if n > 1 {
					slices.SortStableFunc(list[:n-1], func(a, b pair) int { return cmp.Compare(a.key, b.key) })
				}
			}
			want := slices.Clone(list)
			compare := func(a, b pair) int { return cmp.Compare(a.key, b.key) }
			slices.SortStableFunc(want, compare)
			By(list, compare)
			if !slices.Equal(list, want) {
				t.Fatalf("%d of %d keys: %v, want %v", n, keys, list, want)
			}
		}
	}
	words := []string{"gate", "", "bar", "leaf", "bar"}
	Sort(words)
	if !slices.Equal(words, []string{"", "bar", "bar", "gate", "leaf"}) {
		t.Errorf("%q", words)
	}
}
