package reader

import (
	"errors"
	"math"
	"testing"

	"gatewright/schema/input"

	"pgregory.net/rapid"
)

func near(got, want float64) bool { return math.Abs(got-want) <= 1e-12*(1+math.Abs(want)) }

// Geometry that can be drawn: right angles and triangles of 30 and 60 degrees.
func TestZone(t *testing.T) {
	root3 := math.Sqrt(3)
	for _, c := range []struct {
		name                      string
		in                        ZoneInput
		offset, from, to, seconds float64
	}{
		{"straight down, a right angle", ZoneInput{HeightM: 1, BeamDeg: 90, SpeedMS: 0.5}, 0, -1, 1, 4},
		{"straight down, 60 degrees", ZoneInput{HeightM: 3, BeamDeg: 60, SpeedMS: 1}, 0, -root3, root3, 2 * root3},
		{"tilted by its own half: one edge straight down", ZoneInput{HeightM: 2, TiltDeg: 30, BeamDeg: 60, SpeedMS: 2}, 2 / root3, 0, 2 * root3, root3},
		{"the other way", ZoneInput{HeightM: 2, TiltDeg: -30, BeamDeg: 60, SpeedMS: 2}, -2 / root3, -2 * root3, 0, root3},
		{"45 degrees, looking ahead", ZoneInput{HeightM: 1, TiltDeg: 45, BeamDeg: 30, SpeedMS: 1}, 1, 1 / root3, root3, root3 - 1/root3},
	} {
		r, err := Zone(c.in)
		if err != nil || !near(r.OffsetM, c.offset) || !near(r.NearM, c.from) || !near(r.FarM, c.to) || !near(r.LengthM, c.to-c.from) || !near(r.Seconds, c.seconds) {
			t.Errorf("%s: %+v, %v", c.name, r, err)
		}
	}
}

func TestAtLeastOne(t *testing.T) {
	for _, c := range []struct{ rate, p, one, worst float64 }{
		{2, 0.5, 0.75, 0.75}, {3, 0.9, 0.999, 0.999}, {2.5, 0.5, 1 - math.Pow(0.5, 2.5), 0.75}, {0.5, 0.9, 1 - math.Sqrt(0.1), 0},
		{10, 0, 0, 0}, {0, 0.5, 0, 0}, {2, 1, 1, 1}, {100, 1e-12, 1e-10, 1e-10},
	} {
		r, err := Zone(ZoneInput{HeightM: 0.5, BeamDeg: 90, SpeedMS: 1, ReadsPerS: c.rate, PRead: c.p}) // one second
		if err != nil || math.Abs(r.PAtLeastOne-c.one) > 1e-14 || math.Abs(r.PAtWorst-c.worst) > 1e-14 {
			t.Errorf("%+v: %+v, %v", c, r, err)
		}
	}
}

// The zone turns round with the tilt, grows with the beam, and is where a ray
// from the antenna says it is.
func TestZoneProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := ZoneInput{HeightM: rapid.Float64Range(0.1, 5).Draw(t, "h"), BeamDeg: rapid.Float64Range(1, 170).Draw(t, "b"), SpeedMS: 1, ReadsPerS: 10, PRead: rapid.Float64Range(0, 1).Draw(t, "p")}
		most := 89.9 - in.BeamDeg/2
		in.TiltDeg = rapid.Float64Range(-most, most).Draw(t, "tilt")
		r, err := Zone(in)
		if err != nil {
			t.Fatal(err)
		}
		turned := in
		turned.TiltDeg = -in.TiltDeg
		back, err := Zone(turned)
		if err != nil || !near(back.NearM, -r.FarM) || !near(back.LengthM, r.LengthM) {
			t.Fatalf("%+v, turned round %+v, %v", r, back, err)
		}
		narrow := in
		narrow.BeamDeg = in.BeamDeg * 0.9
		less, err := Zone(narrow)
		if err != nil || less.LengthM >= r.LengthM || less.PAtLeastOne > r.PAtLeastOne {
			t.Fatalf("%+v, narrower %+v, %v", r, less, err)
		}
		for _, edge := range []float64{r.NearM, r.FarM} {
			angle := math.Abs(math.Atan2(edge, in.HeightM)/degree - in.TiltDeg)
			if math.Abs(angle-in.BeamDeg/2) > 1e-9 {
				t.Fatalf("%v m is seen at %v° from the axis of a beam of %v°", edge, angle, in.BeamDeg)
			}
		}
		if math.Abs(r.FarM-r.NearM-r.LengthM) > 1e-9*r.LengthM+1e-12*math.Abs(r.FarM) || r.PAtWorst > r.PAtLeastOne+1e-15 {
			t.Fatalf("%+v", r)
		}
	})
}

func TestRefused(t *testing.T) {
	good := ZoneInput{HeightM: 1, TiltDeg: 10, BeamDeg: 60, SpeedMS: 1, ReadsPerS: 5, PRead: 0.5}
	for i, c := range []struct {
		change func(*ZoneInput)
		field  string
	}{
		{func(in *ZoneInput) { in.HeightM = 0 }, "height_m"}, {func(in *ZoneInput) { in.HeightM = 1e308; in.BeamDeg = 159.9 }, "height_m"},
		{func(in *ZoneInput) { in.TiltDeg = 90 }, "tilt_deg"}, {func(in *ZoneInput) { in.TiltDeg = -60 }, "tilt_deg"}, {func(in *ZoneInput) { in.BeamDeg = math.NaN() }, "beam_deg"},
		{func(in *ZoneInput) { in.SpeedMS = 0 }, "speed_m_s"}, {func(in *ZoneInput) { in.ReadsPerS = -1 }, "reads_per_s"}, {func(in *ZoneInput) { in.ReadsPerS = math.Inf(1) }, "reads_per_s"},
		{func(in *ZoneInput) { in.PRead = 1.1 }, "p_read"},
	} {
		in := good
		c.change(&in)
		_, err := Zone(in)
		var p *input.Problem
		if !errors.As(err, &p) || p.Field != c.field {
			t.Errorf("case %d: %v, want a problem of %s", i, err, c.field)
		}
	}
}
