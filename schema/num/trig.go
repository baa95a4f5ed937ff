package num

import "math"

// trigMost is the greatest magnitude in radians that Sin, Cos and Tan take: up
// to it a whole number of quarter turns times a third of pi/2 is exact.
const trigMost = 0x1p20

// A quarter turn, pi/2, in pieces of 33 bits and what is left.
const (
	quarter1    = 1.57079632673412561417e+00
	quarter2    = 6.07710050630396597660e-11
	quarter2Lo  = 2.02226624879595063154e-21 // pi/2 - quarter1 - quarter2
	perQuarter  = 6.36619772367581382433e-01 // 2/pi
	quarterMost = 0.7853981633974484         // pi/4, rounded up
)

// Sin is the sine of x radians within 1 ulp, and NaN beyond 2^20 in magnitude.
func Sin(x float64) float64 {
	k, r, lost := quarterTurns(x)
	switch k {
	case 0:
		return sinNear(r, lost)
	case 1:
		return cosNear(r, lost)
	case 2:
		return -sinNear(r, lost)
	case 3:
		return -cosNear(r, lost)
	}
	return math.NaN()
}

// Cos is the cosine of x radians within 1 ulp, and NaN beyond 2^20 in magnitude.
func Cos(x float64) float64 {
	k, r, lost := quarterTurns(x)
	switch k {
	case 0:
		return cosNear(r, lost)
	case 1:
		return -sinNear(r, lost)
	case 2:
		return -cosNear(r, lost)
	case 3:
		return sinNear(r, lost)
	}
	return math.NaN()
}

// Tan is the tangent of x radians within 3 ulp, and NaN beyond 2^20 in magnitude.
func Tan(x float64) float64 {
	k, r, lost := quarterTurns(x)
	s, c := sinNear(r, lost), cosNear(r, lost)
	switch k {
	case 0, 2:
		return s / c
	case 1, 3:
		return -c / s
	}
	return math.NaN()
}

// quarterTurns takes the nearest whole number of quarter turns off x: their
// number modulo four, what is left (pi/4 at most), and what rounding that took
// away. The number is -1 when x cannot be reduced.
func quarterTurns(x float64) (k int, r, lost float64) {
	if !(math.Abs(x) <= trigMost) {
		return -1, 0, 0
	}
	if math.Abs(x) <= quarterMost {
		return 0, x, 0
	}
	n := math.Floor(float64(x*perQuarter) + 0.5)
	first := x - float64(n*quarter1)
	second := float64(n * quarter2)
	near := first - second
	tail := float64(n*quarter2Lo) - ((first - near) - second)
	r = near - tail
	return int(n) & 3, r, (near - r) - tail
}

// sinNear is the sine of r+lost, |r| <= pi/4: its Taylor polynomial of degree
// 17, whose remainder is below 1e-19.
func sinNear(r, lost float64) float64 {
	z := float64(r * r)
	p := 0.0
	for i := len(sinTerms) - 1; i >= 0; i-- {
		p = sinTerms[i] + float64(z*p)
	}
	return r + (float64(float64(z*r)*p) + float64(lost*(1-float64(0.5*z))))
}

// cosNear is the cosine of r+lost, |r| <= pi/4: its Taylor polynomial of
// degree 18, whose remainder is below 1e-20. 1 - r²/2 is made up for what its
// rounding loses.
func cosNear(r, lost float64) float64 {
	z := float64(r * r)
	p := 0.0
	for i := len(cosTerms) - 1; i >= 0; i-- {
		p = cosTerms[i] + float64(z*p)
	}
	half := float64(0.5 * z)
	head := 1 - half
	return head + (((1 - head) - half) + (float64(float64(z*z)*p) - float64(r*lost)))
}

// sinTerms are -1/3!, 1/5! … 1/17!, cosTerms 1/4!, -1/6! … -1/18!.
var (
	sinTerms = [...]float64{-1.0 / 6, 1.0 / 120, -1.0 / 5040, 1.0 / 362880, -1.0 / 39916800, 1.0 / 6227020800, -1.0 / 1307674368000, 1.0 / 355687428096000}
	cosTerms = [...]float64{1.0 / 24, -1.0 / 720, 1.0 / 40320, -1.0 / 3628800, 1.0 / 479001600, -1.0 / 87178291200, 1.0 / 20922789888000, -1.0 / 6402373705728000}
)
