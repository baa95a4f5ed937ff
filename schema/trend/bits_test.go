package trend

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"
	"testing"
)

// The bits of some thousand results as one digest, to be the same on every
// platform: run it with GOAMD64=v3, on arm64 and, by GOOS=js GOARCH=wasm,
// under Node.
func TestSameBitsEverywhere(t *testing.T) {
	sum := sha256.New()
	put := func(values ...*float64) {
		var b [8]byte
		for _, v := range values {
			if v != nil {
				binary.BigEndian.PutUint64(b[:], math.Float64bits(*v))
			}
			sum.Write(b[:])
		}
	}
	state := uint64(1)
	next := func() float64 { // whole numbers only, which no platform rounds
		state = state*6364136223846793005 + 1442695040888963407
		return float64(state>>40) / (1 << 20)
	}
	for n := 3; n < 40; n++ {
		for range 5 {
			x, y := make([]float64, n), make([]float64, n)
			for i := range n {
				x[i], y[i] = next(), float64(i)+next()
			}
			at := next()
			line, err := Line(LineInput{X: x, Y: y, At: &at})
			if err != nil {
				t.Fatal(err)
			}
			robust, err := Robust(RobustInput{X: x, Y: y, Confidence: 0.9})
			if err != nil {
				t.Fatal(err)
			}
			crossing, err := Crossing(CrossingInput{X: x, Y: y, Limit: 50, Confidence: 0.9})
			if err != nil {
				t.Fatal(err)
			}
			put(&line.Intercept, &line.Slope, &line.SEIntercept, &line.SESlope, &line.ResidualSD, line.RSquared, line.Predicted, line.SELine, line.SENew,
				&robust.Slope, &robust.Intercept, &robust.VarS, &robust.Z, &robust.PValue, robust.SlopeLow, robust.SlopeHigh,
				&crossing.At, crossing.Low, crossing.High, crossing.LineLow, crossing.LineHigh)
		}
	}
	if got := hex.EncodeToString(sum.Sum(nil)); got != "4f103488dc0bc774409984daaa3501feaba34943974b3b56c418fc6c6ab0c519" {
		t.Errorf("digest %s", got)
	}
}
