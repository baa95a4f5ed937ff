package num

import (
	"math"
	"math/big"
	"testing"
)

// At a probability of a half it is the number of ways to choose, over 2^n:
// against whole numbers of any size (math/big).
func TestBinomialOfHalves(t *testing.T) {
	for n := int64(0); n <= 300; n += 7 {
		for k := int64(0); k <= n; k++ {
			ways := new(big.Float).SetInt(new(big.Int).Binomial(n, k))
			want, _ := ways.SetMantExp(ways, -int(n)).Float64()
			bound := 1e-13 + 1e-15*math.Abs(math.Log(want))
			if got := Binomial(float64(k), float64(n), 0.5, 0.5); relative(got, want) > bound {
				t.Fatalf("%d of %d: %v, want %v", k, n, got, want)
			}
		}
	}
}

func TestStudentOutside(t *testing.T) {
	for _, bad := range [][2]float64{{1, 0}, {1, -2}, {1, math.NaN()}, {math.NaN(), 3}} {
		if got := StudentCDF(bad[0], bad[1]); !math.IsNaN(got) {
			t.Errorf("Student's t at %v with %v degrees of freedom: %v", bad[0], bad[1], got)
		}
	}
}
