package num

import (
	"math"
	"math/big"
	"testing"
)

// The number of ways to choose, against whole numbers of any size (math/big).
func TestLogChoose(t *testing.T) {
	for n := int64(0); n <= 300; n += 7 {
		for k := int64(0); k <= n; k++ {
			exact, _ := new(big.Float).SetInt(new(big.Int).Binomial(n, k)).Float64()
			// The logarithms of gamma that cancel are up to 1,400 here.
			if got, want := LogChoose(float64(n), float64(k)), math.Log(exact); math.Abs(got-want) > 2e-12 {
				t.Fatalf("%d of %d: %v, want %v", k, n, got, want)
			}
		}
	}
	for _, bad := range [][2]float64{{5, -1}, {5, 6}, {math.NaN(), 1}, {5, math.NaN()}} {
		if got := LogChoose(bad[0], bad[1]); !math.IsInf(got, -1) {
			t.Errorf("%v of %v: %v", bad[1], bad[0], got)
		}
	}
	for _, bad := range [][2]float64{{1, 0}, {1, -2}, {1, math.NaN()}, {math.NaN(), 3}} {
		if got := StudentCDF(bad[0], bad[1]); !math.IsNaN(got) {
			t.Errorf("Student's t at %v with %v degrees of freedom: %v", bad[0], bad[1], got)
		}
	}
}
