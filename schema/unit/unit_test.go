package unit

import (
	"errors"
	"math"
	"strings"
	"testing"

	"gatewright/schema/input"

	"pgregory.net/rapid"
)

func convert(t *testing.T, value float64, from, to string) float64 {
	t.Helper()
	r, err := Convert(ConvertInput{value, from, to})
	if err != nil {
		t.Fatalf("%v %s to %s: %v", value, from, to, err)
	}
	return r.Value
}

// Rounded factors of NIST SP 811 (2008), Appendices B.8 and B.9, from memory:
// seven digits, so within 1e-6 of the exact ones. inHg is its "conventional"
// row. Cubic foot: 28.316 85 L.
func TestFactors(t *testing.T) {
	for _, c := range []struct {
		from, to string
		want     float64
	}{
		{"psi", "Pa", 6894.757}, {"bar", "Pa", 100000}, {"atm", "Pa", 101325}, {"inHg", "Pa", 3386.389},
		{"ft", "m", 0.3048}, {"in", "m", 0.0254}, {"lbf", "N", 4.448222}, {"ft3", "L", 28.31685},
		{"MPa", "bar", 10}, {"kPa", "bar", 0.01}, {"mm", "in", 0.03937008}, {"m", "mm", 1000},
	} {
		if got := convert(t, 1, c.from, c.to); math.Abs(got/c.want-1) > 1e-6 {
			t.Errorf("1 %s is %v %s, want %v", c.from, got, c.to, c.want)
		}
	}
	// Exact ones, as definitions give them. Cut to 16 digits, psi would be the
	// float64 below the nearest one.
	for _, c := range []struct {
		value    float64
		from, to string
		want     float64
	}{
		{1, "psi", "Pa", 6894.757293168361336722}, {1, "lbf", "N", 4.4482216152605}, {1, "ft3", "L", 28.316846592}, {1, "ft", "in", 12},
		{1, "inHg", "Pa", 3386.388640341}, {0.1, "bar", "kPa", 10}, {6.3, "bar", "MPa", 0.63}, {273.16, "K", "C", 0.01}, {36.6, "C", "K", 309.75},
		{7, "psi", "psi", 7}, {-0.4, "bar", "kPa", -40}, {0, "mm", "ft", 0}, {-459.67, "F", "K", 0}, {-273.15, "C", "F", -459.67}, {1e-320, "m", "mm", 1e-317},
	} {
		if got := convert(t, c.value, c.from, c.to); got != c.want {
			t.Errorf("%v %s is %v %s, want %v", c.value, c.from, got, c.to, c.want)
		}
	}
}

// Gauge to absolute, with SP 811's factors: derived, not published.
func TestGaugeToAbsolute(t *testing.T) {
	for _, c := range []struct{ gauge, bar, psi float64 }{{0, 1.01325, 14.6959}, {6, 7.01325, 101.7186}, {7, 8.01325, 116.2224}, {8, 9.01325, 130.7261}} {
		abs := c.gauge + convert(t, 1, "atm", "bar")
		if math.Abs(abs-c.bar) > 1e-9 || math.Abs(convert(t, abs, "bar", "psi")-c.psi) > 1e-4 {
			t.Errorf("%v bar: %v bar, %v psi", c.gauge, abs, convert(t, abs, "bar", "psi"))
		}
	}
}

// The temperature formulas of SP 811, B.8 (from memory): exact to the last bit,
// since the decimals that somebody wrote are what is converted.
func TestTemperatures(t *testing.T) {
	for _, c := range []struct{ f, c, k float64 }{{-40, -40, 233.15}, {32, 0, 273.15}, {68, 20, 293.15}, {98.6, 37, 310.15}, {212, 100, 373.15}} {
		for _, p := range []struct {
			value    float64
			from, to string
			want     float64
		}{{c.f, "F", "C", c.c}, {c.f, "F", "K", c.k}, {c.c, "C", "F", c.f}, {c.c, "C", "K", c.k}, {c.k, "K", "C", c.c}, {c.k, "K", "F", c.f}} {
			if got := convert(t, p.value, p.from, p.to); got != p.want {
				t.Errorf("%v %s is %v %s, want %v", p.value, p.from, got, p.to, p.want)
			}
		}
	}
}

func TestRefused(t *testing.T) {
	for _, c := range []struct {
		value           float64
		from, to, field string
	}{
		{1, "bar", "C", "to"}, {1, "m", "L", "to"}, {1, "N", "psi", "to"}, {1, "K", "ft3", "to"}, {1, "bar", "furlong", "to"}, {1, "", "bar", "from"},
		{-0.001, "K", "C", "value"}, {-273.16, "C", "K", "value"}, {-459.68, "F", "F", "value"}, {math.NaN(), "m", "ft", "value"},
		{math.Inf(-1), "m", "ft", "value"}, {1e308, "MPa", "Pa", "value"}, {-1e308, "m", "mm", "value"},
	} {
		_, err := Convert(ConvertInput{c.value, c.from, c.to})
		var p *input.Problem
		if !errors.As(err, &p) || p.Field != c.field || !strings.HasPrefix(p.Message, "must ") {
			t.Errorf("%v %q to %q: %v, want a problem of %s", c.value, c.from, c.to, err, c.field)
		}
	}
}

// There and back is the same to 1e-15 of the value (of absolute zero's
// distance for temperatures, where the offset takes digits away), and a
// greater value stays greater.
func TestThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.SampledFrom(units).Draw(t, "from")
		to := rapid.SampledFrom(units).Filter(func(u unit) bool { return u.quantity == from.quantity }).Draw(t, "to")
		v := rapid.Float64Range(-270, 1e6).Draw(t, "value")
		if from.name == "K" {
			v = math.Abs(v)
		}
		there, err := Convert(ConvertInput{v, from.name, to.name})
		if err != nil {
			t.Fatal(err)
		}
		back, err := Convert(ConvertInput{there.Value, to.name, from.name})
		if err != nil && v > -270 {
			t.Fatal(err)
		}
		scale := math.Abs(v)
		if from.quantity == "temperature" {
			scale += 1000
		}
		if math.Abs(back.Value-v) > 1e-15*scale {
			t.Fatalf("%v %s, %v %s, %v", v, from.name, there.Value, to.name, back.Value)
		}
		more, err := Convert(ConvertInput{v + 1, from.name, to.name})
		if err != nil || more.Value <= there.Value {
			t.Fatalf("%v %s gives %v, one more %v, %v", v, from.name, there.Value, more.Value, err)
		}
	})
}

func TestTableIsWhole(t *testing.T) {
	one := strings.Fields("bar kPa MPa Pa psi inHg atm C F K m mm ft in L ft3 N lbf")
	if len(one) != len(units) {
		t.Fatalf("%d units, %d names", len(units), len(one))
	}
	for _, name := range one {
		if u, ok := find(name); !ok || rational(u.factor).Sign() <= 0 {
			t.Errorf("%s: %v", name, u)
		}
	}
}
