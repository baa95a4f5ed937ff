// Package reader estimates where an antenna above a race reads an animal's tag
// and how surely it does while the animal walks through.
package reader

import (
	"math"

	"gatewright/schema/input"
	"gatewright/schema/num"
)

// ZoneInput is an antenna above the race and a tag below it.
type ZoneInput struct {
	HeightM   float64 `json:"height_m" unit:"m" doc:"height of the antenna above the tag" above:"0" max:"100"`
	TiltDeg   float64 `json:"tilt_deg" unit:"°" doc:"tilt of the beam's axis from straight down, positive the way the animals walk" above:"-90" below:"90"`
	BeamDeg   float64 `json:"beam_deg" unit:"°" doc:"full angle of the beam, edge to edge" above:"0" below:"180"`
	SpeedMS   float64 `json:"speed_m_s" unit:"m/s" doc:"walking speed" above:"0" max:"20"`
	ReadsPerS float64 `json:"reads_per_s" unit:"1/s" doc:"tries to read per second" min:"0" max:"1000000"`
	PRead     float64 `json:"p_read" doc:"probability that one try inside the zone reads the tag" min:"0" max:"1"`
}

// ZoneResult is the stretch of the race in which the tag is read.
type ZoneResult struct {
	OffsetM     float64 `json:"offset_m" unit:"m" doc:"where the beam's axis meets the tag's height, from below the antenna, positive the way the animals walk"`
	NearM       float64 `json:"near_m" unit:"m" doc:"where the tag comes into the zone, counted likewise"`
	FarM        float64 `json:"far_m" unit:"m" doc:"where it leaves the zone"`
	LengthM     float64 `json:"length_m" unit:"m" doc:"length of the zone along the race"`
	Seconds     float64 `json:"seconds" unit:"s" doc:"time that the tag is in it"`
	Reads       float64 `json:"reads" doc:"tries that fall into that time, on average"`
	PAtLeastOne float64 `json:"p_at_least_one" doc:"probability of at least one read in so many tries"`
	PAtWorst    float64 `json:"p_at_worst" doc:"the same when only whole tries count"`
}

const degree = 0.017453292519943295 // in radians

// Zone computes, with height h, tilt a and beam angle b:
//
//	offset = h tan(a)
//	near   = h tan(a - b/2),  far = h tan(a + b/2)
//	length = far - near = h sin(b) / (cos(a - b/2) cos(a + b/2))
//	seconds = length / speed,  reads = seconds times reads_per_s
//	p_at_least_one = 1 - (1 - p_read)^reads
//
// p_at_worst has the whole part of reads in its place: a tag may come in just
// after a try. Tries are taken to be independent, which those on one animal
// with a badly hanging tag are not.
//
// This is a sharp-edged cone cut along the race's middle: a fair picture of an
// ultra-high-frequency antenna, whose edge is where its gain has halved. The
// loops of low-frequency readers are no cones: their zone is a few loop widths
// around them, with dead angles for a tag that lies along the field. Let the
// site measure its own zone, with a tag on a pole.
//
// It refuses a beam that reaches the horizon: tilt and half the beam angle
// must stay below 90° together.
func Zone(in ZoneInput) (ZoneResult, error) {
	for _, f := range []struct {
		name    string
		ok      bool
		value   float64
		message string
	}{
		{"height_m", in.HeightM > 0, in.HeightM, "must be a number above 0"},
		{"tilt_deg", in.TiltDeg > -90 && in.TiltDeg < 90, in.TiltDeg, "must be above -90 and below 90"},
		{"beam_deg", in.BeamDeg > 0 && in.BeamDeg < 180, in.BeamDeg, "must be above 0 and below 180"},
		{"tilt_deg", math.Abs(in.TiltDeg)+float64(in.BeamDeg*0.5) < 90, in.TiltDeg, "must stay below 90 with half of beam_deg: the beam would reach the horizon"},
		{"speed_m_s", in.SpeedMS > 0, in.SpeedMS, "must be a number above 0"},
		{"reads_per_s", in.ReadsPerS >= 0, in.ReadsPerS, "must be a number of at least 0"},
		{"p_read", in.PRead >= 0 && in.PRead <= 1, in.PRead, "must be from 0 to 1"},
	} {
		if !f.ok || math.IsInf(f.value, 0) {
			return ZoneResult{}, input.Bad(f.name, f.message)
		}
	}
	axis, half := float64(in.TiltDeg*degree), float64(float64(in.BeamDeg*degree)*0.5)
	out := ZoneResult{
		OffsetM: float64(in.HeightM * num.Tan(axis)),
		NearM:   float64(in.HeightM * num.Tan(axis-half)),
		FarM:    float64(in.HeightM * num.Tan(axis+half)),
		LengthM: float64(in.HeightM*num.Sin(half+half)) / float64(num.Cos(axis-half)*num.Cos(axis+half)),
	}
	out.Seconds = out.LengthM / in.SpeedMS
	out.Reads = float64(out.Seconds * in.ReadsPerS)
	for _, x := range []float64{out.OffsetM, out.NearM, out.FarM, out.LengthM, out.Seconds, out.Reads} {
		if x-x != 0 {
			return ZoneResult{}, input.Bad("height_m", "must be smaller: the zone is beyond the greatest number")
		}
	}
	out.PAtLeastOne = atLeastOne(in.PRead, out.Reads)
	out.PAtWorst = atLeastOne(in.PRead, math.Floor(num.Round(out.Reads, 9))) // 2 tries may come out as 1.9999999999999996
	return out, nil
}

// atLeastOne is 1 - (1-p)^n, without losing digits where p is small.
func atLeastOne(p, n float64) float64 {
	switch {
	case n == 0 || p == 0:
		return 0
	case p == 1:
		return 1
	}
	return -num.Expm1(float64(n * num.Log1p(-p)))
}
