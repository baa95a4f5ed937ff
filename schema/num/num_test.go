package num

import (
	"bufio"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// ulps is the distance of two numbers in units of the last place of want.
func ulps(got, want float64) float64 {
	if got == want {
		return 0
	}
	up := math.Nextafter(math.Abs(want), math.Inf(1)) - math.Abs(want)
	return math.Abs(got-want) / up
}

func relative(got, want float64) float64 {
	if got == want {
		return 0
	}
	return math.Abs(got-want) / math.Abs(want)
}

type row struct{ x, y, z, want float64 }

func values(t *testing.T) map[string][]row {
	t.Helper()
	f, err := os.Open("testdata/values.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out := map[string][]row{}
	for s := bufio.NewScanner(f); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") {
			continue
		}
		words := strings.Fields(s.Text())
		var n [4]float64
		for i, w := range words[1:] {
			b, err := strconv.ParseUint(w, 16, 64)
			if err != nil {
				t.Fatal(err)
			}
			n[i] = math.Float64frombits(b)
		}
		args := len(words) - 2
		r := row{x: n[0], y: n[1], z: n[2], want: n[args]}
		out[words[0]] = append(out[words[0]], r)
	}
	return out
}

// Each stated bound against values of mpmath at 60 digits. The half ulp by
// which the stored value is rounded is allowed for.
func TestBounds(t *testing.T) {
	type judge func(got float64, r row) float64 // error over bound
	inUlps := func(n float64) judge {
		return func(got float64, r row) float64 { return max(0, ulps(got, r.want)-0.5) / n }
	}
	rel := func(e float64) judge {
		return func(got float64, r row) float64 { return relative(got, r.want) / e }
	}
	one := func(f func(float64) float64) func(row) float64 { return func(r row) float64 { return f(r.x) } }
	data := values(t)
	for _, c := range []struct {
		name  string
		f     func(row) float64
		judge judge
		least int
	}{
		{"exp", one(Exp), inUlps(1), 150},
		{"expm1", one(Expm1), inUlps(4), 100},
		{"log", one(Log), inUlps(1), 150},
		{"log1p", one(Log1p), inUlps(2), 100},
		{"log10", one(Log10), inUlps(3), 80},
		{"pow", func(r row) float64 { return Pow(r.x, r.y) }, func(got float64, r row) float64 {
			return relative(got, r.want) / ((2 + math.Abs(r.y*math.Log(r.x))) * 0x1p-52)
		}, 100},
		{"erf", one(Erf), rel(2e-15), 150},
		{"erfc", one(Erfc), rel(4e-15), 150},
		{"cdf", one(NormalCDF), func(got float64, r row) float64 {
			return relative(got, r.want) / ((8 + r.x*r.x) * 0x1p-52)
		}, 140},
		{"quantile", one(NormalQuantile), func(got float64, r row) float64 {
			return math.Abs(got-r.want) / (2e-15 * (1 + math.Abs(r.want)))
		}, 140},
		{"lgamma", one(LogGamma), func(got float64, r row) float64 {
			return math.Abs(got-r.want) / (1e-14 * (1 + math.Abs(r.want)))
		}, 120},
		{"betainc", func(r row) float64 { return BetaInc(r.x, r.y, r.z) }, rel(1e-12), 150},
		{"bigbeta", func(r row) float64 { return BetaInc(r.x, r.y, r.z) }, rel(1e-8), 40},
		{"binomial", func(r row) float64 { return Binomial(r.x, r.y, r.z, 1-r.z) }, func(got float64, r row) float64 {
			bound := 1e-13 + 1e-15*math.Abs(math.Log(r.want))
			if r.y > 1e4 {
				bound = 2e-11
			}
			return relative(got, r.want) / bound
		}, 120},
		{"tcdf", func(r row) float64 { return StudentCDF(r.x, r.y) }, rel(1e-11), 120},
	} {
		rows := data[c.name]
		if len(rows) < c.least {
			t.Errorf("%s: only %d values", c.name, len(rows))
		}
		worst, at := 0.0, row{}
		for _, r := range rows {
			got := c.f(r)
			e := c.judge(got, r)
			if !(e <= worst) {
				worst, at = e, r
			}
		}
		t.Logf("%-8s worst %.3f of its bound, at %v", c.name, worst, at)
		if !(worst <= 1) {
			t.Errorf("%s(%v, %v, %v) = %v, want %v: %.2f times its bound", c.name, at.x, at.y, at.z, c.f(at), at.want, worst)
		}
	}
}

// The standard library and gonum are the oracle on a dense grid; both err by
// an ulp or so themselves.
func TestAgainstOracles(t *testing.T) {
	worst := map[string]float64{}
	see := func(name string, e float64) {
		if !(e <= worst[name]) {
			worst[name] = e
		}
	}
	for i := range 200001 {
		u := float64(i)/100000 - 1 // -1 to 1
		see("exp", ulps(Exp(u*700), math.Exp(u*700)))
		see("expm1", ulps(Expm1(u*3), math.Expm1(u*3)))
		see("log1p", ulps(Log1p(u*0.999), math.Log1p(u*0.999)))
		if u > 0 {
			see("log", ulps(Log(u*3), math.Log(u*3)))
			see("log", ulps(Log(math.Exp(u*1400-700)), math.Log(math.Exp(u*1400-700))))
		}
		if i%20 == 0 {
			see("erf", ulps(Erf(u*6), math.Erf(u*6)))
			see("erfc", ulps(Erfc(u*20), math.Erfc(u*20)))
			if u > 0 && u < 1 {
				see("quantile", relative(NormalQuantile(u), mathext.NormalQuantile(u)))
				see("lgamma", math.Abs(LogGamma(u*50)-lgamma(u*50))/(1+math.Abs(lgamma(u*50))))
			}
		}
	}
	for _, a := range []float64{0.5, 1, 3, 21.5, 400} {
		for _, b := range []float64{0.5, 1, 7, 80, 1000} {
			for _, p := range []float64{0.0005, 0.025, 0.3, 0.5, 0.95, 0.975} {
				x := BetaQuantile(a, b, p)
				see("betainc", relative(BetaInc(a, b, x), mathext.RegIncBeta(a, b, x)))
				see("beta quantile", relative(BetaInc(a, b, x), p))
			}
		}
	}
	for _, nu := range []float64{1, 2, 5, 17, 200} {
		for _, p := range []float64{1e-6, 0.025, 0.2, 0.3, 0.49, 0.6, 0.975} {
			d := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}
			see("student", relative(StudentQuantile(p, nu), d.Quantile(p)))
			see("student back", relative(StudentCDF(StudentQuantile(p, nu), nu), p))
		}
	}
	for name, bound := range map[string]float64{
		"exp": 2, "expm1": 5, "log": 2, "log1p": 3, "erf": 12, "erfc": 20, // ulp
		"quantile": 2e-12, "lgamma": 2e-14, "betainc": 1e-11, "beta quantile": 1e-11, "student": 1e-9, "student back": 1e-11,
	} {
		t.Logf("%-14s %.3g", name, worst[name])
		if !(worst[name] <= bound) {
			t.Errorf("%s is off by %g, allowed %g", name, worst[name], bound)
		}
	}
}

func lgamma(x float64) float64 { v, _ := math.Lgamma(x); return v }

func TestEdges(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"exp inf", Exp(inf), inf}, {"exp -inf", Exp(-inf), 0}, {"exp nan", Exp(nan), nan}, {"exp 0", Exp(0), 1},
		{"exp 710", Exp(710), inf}, {"exp -746", Exp(-746), 0}, {"exp least", Exp(-745.1), 5e-324},
		{"log 0", Log(0), -inf}, {"log -1", Log(-1), nan}, {"log inf", Log(inf), inf}, {"log nan", Log(nan), nan}, {"log 1", Log(1), 0},
		{"log1p -1", Log1p(-1), -inf}, {"log1p -2", Log1p(-2), nan}, {"log1p inf", Log1p(inf), inf}, {"log1p nan", Log1p(nan), nan},
		{"pow 2 10", Pow(2, 10), 1024}, {"pow 2 -2", Pow(2, -2), 0.25}, {"pow -3 3", Pow(-3, 3), -27}, {"pow x 0", Pow(nan, 0), 1},
		{"pow 0 .5", Pow(0, 0.5), 0}, {"pow 0 -.5", Pow(0, -0.5), inf}, {"pow -1 .5", Pow(-1, 0.5), nan}, {"pow 2 nan", Pow(2, nan), nan}, {"pow 10 300", Pow(10, 3), 1000},
		{"erf 0", Erf(0), 0}, {"erf inf", Erf(inf), 1}, {"erf -inf", Erf(-inf), -1}, {"erf nan", Erf(nan), nan},
		{"erfc inf", Erfc(inf), 0}, {"erfc -inf", Erfc(-inf), 2}, {"erfc nan", Erfc(nan), nan}, {"erfc 0", Erfc(0), 1},
		{"quantile 0", NormalQuantile(0), -inf}, {"quantile 1", NormalQuantile(1), inf}, {"quantile 2", NormalQuantile(2), nan},
		{"quantile -1", NormalQuantile(-1), nan}, {"quantile nan", NormalQuantile(nan), nan}, {"cdf 0", NormalCDF(0), 0.5},
		{"lgamma 0", LogGamma(0), nan}, {"lgamma inf", LogGamma(inf), inf},
		{"binomial none", Binomial(0, 2, 0.25, 0.75), 0.5625}, {"binomial all", Binomial(2, 2, 0.25, 0.75), 0.0625}, {"binomial of none", Binomial(0, 0, 0.5, 0.5), 1},
		{"binomial none, surely", Binomial(0, 3, 0, 1), 1}, {"binomial all, never", Binomial(3, 3, 0, 1), 0}, {"binomial some, never", Binomial(1, 3, 0, 1), 0},
		{"binomial some, surely", Binomial(1, 3, 1, 0), 0}, {"binomial too many", Binomial(4, 3, 0.5, 0.5), nan}, {"binomial nan", Binomial(1, 3, nan, 0.5), nan}, {"binomial inf", Binomial(1, inf, 0.5, 0.5), nan},
		{"betainc 0", BetaInc(1, 2, 0), 0}, {"betainc 1", BetaInc(1, 2, 1), 1}, {"betainc bad", BetaInc(0, 2, 0.5), nan},
		{"beta quantile bad", BetaQuantile(1, 1, 2), nan}, {"beta quantile 1", BetaQuantile(1, 1, 1), 1},
		{"t 0", StudentQuantile(0, 3), -inf}, {"t bad", StudentQuantile(0.5, 0), nan}, {"t inf", StudentCDF(inf, 3), 1}, {"t -inf", StudentCDF(-inf, 3), 0},
		{"round", Round(2.345, 2), 2.35}, {"round half", Round(0.5, 0), 0}, {"round 1.005", Round(1.005, 2), 1}, // 1.005 is below itself in binary
		{"round -0", 1 / Round(-0.001, 2), inf}, {"round inf", Round(inf, 2), inf}, {"round nan", Round(nan, 2), nan}, {"round big", Round(math.MaxFloat64, 3), math.MaxFloat64},
	} {
		if c.got != c.want && !(c.got != c.got && c.want != c.want) {
			t.Errorf("%s: %v, want %v", c.name, c.got, c.want)
		}
	}
}

// The bits of 27,000 results as one digest, to be the same on every platform:
// run it with GOAMD64=v3, on arm64 and, by GOOS=js GOARCH=wasm, under Node.
func TestSameBitsEverywhere(t *testing.T) {
	h := sha256.New()
	var b [8]byte
	put := func(f float64) {
		if f != f {
			f = math.NaN() // whose bits may differ
		}
		binary.BigEndian.PutUint64(b[:], math.Float64bits(f))
		h.Write(b[:])
	}
	for i := range 2000 {
		u := float64(i-1000) / 1000
		for _, f := range []float64{
			Exp(u * 745), Expm1(u * 2), Log(math.Abs(u) * 1e5), Log1p(u), Log10(math.Abs(u)), Pow(math.Abs(u)*10, 1.7), Pow(u, 7),
			Erf(u * 5), Erfc(u * 27), NormalCDF(u * 37), NormalQuantile(math.Abs(u)), LogGamma(math.Abs(u) * 40), Round(u*100, 3),
		} {
			put(f)
		}
		if i%20 == 0 {
			put(BetaInc(3.5, 1+float64(math.Abs(u)*90), math.Abs(u)))
			put(BetaQuantile(2.5, 80, math.Abs(u)))
			put(StudentCDF(u*6, 7))
			put(StudentQuantile(math.Abs(u), 4))
			put(Binomial(math.Floor(math.Abs(u)*5000), 10000, 0.25, 0.75))
			put(Binomial(math.Abs(u)*12, 15.5, 0.375, 0.625))
		}
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != "2eff1bd1341458233eff0ed38f128454e1c533a9f91e965d0ad4f56474269c37" {
		t.Errorf("digest %s", got)
	}
}
