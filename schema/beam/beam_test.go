package beam

import (
	"errors"
	"math"
	"testing"

	"gatewright/schema/input"

	"pgregory.net/rapid"
)

// Four rows as printed in Instrumentation & Control, July 2018 ("Use excess
// gain to choose an optical sensor"); low is ours, see needs.
func TestNeeded(t *testing.T) {
	for dirt, want := range map[string]float64{"clean": 1.5, "slight": 5, "low": 10, "moderate": 10, "high": 50} {
		r, err := Gain(GainInput{Gain: want, GainAtM: 3, AtM: 3, Dirt: dirt})
		if err != nil || r.Needed != want || !r.Enough || r.ExcessGain != want || r.FarthestM != 3 {
			t.Errorf("%s: %+v, %v", dirt, r, err)
		}
		r, err = Gain(GainInput{Gain: want, GainAtM: 3, AtM: 3.01, Dirt: dirt})
		if err != nil || r.Enough {
			t.Errorf("%s: %+v, %v", dirt, r, err)
		}
	}
}

func TestSquare(t *testing.T) {
	for _, c := range []struct{ gain, known, at, want float64 }{{100, 1, 2, 25}, {50, 5, 1, 1250}, {8, 10, 20, 2}, {18, 4, 12, 2}} {
		r, err := Gain(GainInput{Gain: c.gain, GainAtM: c.known, AtM: c.at, Dirt: "clean"})
		if err != nil || math.Abs(r.ExcessGain/c.want-1) > 1e-15 {
			t.Errorf("%v: %+v, %v", c, r, err)
		}
	}
}

// At the farthest distance the gain is what is needed, and to go over two
// distances is to go over both at once.
func TestFarthest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := GainInput{
			Gain: rapid.Float64Range(0.01, 1e6).Draw(t, "gain"), GainAtM: rapid.Float64Range(0.01, 100).Draw(t, "known"),
			AtM: rapid.Float64Range(0.01, 100).Draw(t, "at"), Dirt: rapid.SampledFrom([]string{"clean", "slight", "low", "moderate", "high"}).Draw(t, "dirt"),
		}
		there, err := Gain(in)
		if err != nil {
			t.Fatal(err)
		}
		if in.AtM < there.FarthestM*(1-1e-12) != there.Enough && math.Abs(in.AtM/there.FarthestM-1) > 1e-12 {
			t.Fatalf("%+v: %+v", in, there)
		}
		back, err := Gain(GainInput{Gain: there.ExcessGain, GainAtM: in.AtM, AtM: in.GainAtM, Dirt: in.Dirt})
		if err != nil || math.Abs(back.ExcessGain/in.Gain-1) > 1e-12 {
			t.Fatalf("%+v: %+v, back %+v, %v", in, there, back, err)
		}
	})
}

func TestRefused(t *testing.T) {
	for _, c := range []struct {
		in    GainInput
		field string
	}{
		{GainInput{0, 1, 1, "clean"}, "gain"}, {GainInput{math.NaN(), 1, 1, "clean"}, "gain"}, {GainInput{1, -1, 1, "clean"}, "gain_at_m"},
		{GainInput{1, 1, 0, "clean"}, "at_m"}, {GainInput{1, 1, math.Inf(1), "clean"}, "at_m"}, {GainInput{1, 1, 1, "mud"}, "dirt"}, {GainInput{1, 1e200, 1, "clean"}, "gain_at_m"},
	} {
		_, err := Gain(c.in)
		var p *input.Problem
		if !errors.As(err, &p) || p.Field != c.field {
			t.Errorf("%+v: %v, want a problem of %s", c.in, err, c.field)
		}
	}
}
