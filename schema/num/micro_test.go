package num

import (
	"errors"
	"math"
	"math/big"
	"strconv"
	"testing"
)

func TestParseMicro(t *testing.T) {
	for text, want := range map[string]Micro{
		"0": 0, "-0": 0, "0.0": 0, "0e999999999": 0, "1": 1e6, "-1": -1e6, "6.5": 6500000, "0.000001": 1, "-0.000001": -1,
		"1e-6": 1, "1.5e-3": 1500, "2E+2": 200e6, "1e9": 1e15, "-1000000000": -1e15, "999999999.999999": 999999999999999,
		"0.1000000000": 100000, "123456e-6": 123456, "0.00000100e0": 1, "1000e6": 1e15, "0.000000000001e6": 1, "1.10e1": 11e6,
	} {
		got, err := ParseMicro(text)
		if err != nil || got != want {
			t.Errorf("%s: %d, %v; want %d", text, got, err, want)
		}
	}
	for text, want := range map[string]error{
		"": ErrNotNumber, "-": ErrNotNumber, "+1": ErrNotNumber, "01": ErrNotNumber, ".5": ErrNotNumber, "1.": ErrNotNumber, "1e": ErrNotNumber,
		"1e+": ErrNotNumber, "0x1": ErrNotNumber, "NaN": ErrNotNumber, "Infinity": ErrNotNumber, "1 ": ErrNotNumber, "1.2.3": ErrNotNumber, "--1": ErrNotNumber,
		"0.0000001": ErrTooFine, "1e-7": ErrTooFine, "1.1234567": ErrTooFine, "1e-999999999999999999999": ErrTooFine,
		"1000000000.000001": ErrTooLarge, "1e10": ErrTooLarge, "1e999": ErrTooLarge, "-1000000001": ErrTooLarge, "1e99999999999999999999": ErrTooLarge, "9223372036854775808": ErrTooLarge,
	} {
		if got, err := ParseMicro(text); !errors.Is(err, want) || got != 0 {
			t.Errorf("%s: %d, %v; want %v", text, got, err, want)
		}
	}
}

// The text of a Micro is what ECMAScript prints for the nearest float64, and
// reading it as a float64 gives Float. strconv is the oracle.
func TestMicroText(t *testing.T) {
	state := uint64(1)
	for i := range 200000 {
		state = state*6364136223846793005 + 1442695040888963407
		m := Micro(int64(state>>8) % int64(MicroMax+1)) // any
		switch i % 4 {
		case 1:
			m %= 1e9
		case 2:
			m -= m % 1e6
		case 3:
			m = -m
		}
		text := m.String()
		f, err := strconv.ParseFloat(text, 64)
		if err != nil || f != m.Float() {
			t.Fatalf("%d is %s, read as %v, Float %v, %v", int64(m), text, f, m.Float(), err)
		}
		if want := strconv.FormatFloat(f, 'f', -1, 64); text != want {
			t.Fatalf("%d is %s, want %s", int64(m), text, want)
		}
		if back, err := ParseMicro(text); err != nil || back != m {
			t.Fatalf("%s came back as %d, %v; want %d", text, int64(back), err, int64(m))
		}
	}
	for m, want := range map[Micro]string{MicroMax: "1000000000", -MicroMax: "-1000000000", 1: "0.000001", -1: "-0.000001", 1500000: "1.5", math.MinInt64: "-9223372036854.775808"} {
		if m.String() != want {
			t.Errorf("%d: %s, want %s", int64(m), m, want)
		}
	}
	if Micro(-5).Abs() != 5 || Micro(5).Abs() != 5 {
		t.Error("Abs")
	}
}

// FuzzParseMicro compares with exact rational arithmetic.
func FuzzParseMicro(f *testing.F) {
	for _, s := range []string{"6.5", "-0.000001", "1e9", "1e-7", "0.0", "1.5e-3", "01", "1e+", "1000000000.0000001"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m, err := ParseMicro(s)
		if err == ErrNotNumber || len(s) > 40 {
			return
		}
		if fl, ferr := strconv.ParseFloat(s, 64); ferr == nil && math.Abs(fl) < 1e-30 && fl != 0 || math.Abs(fl) > 1e30 {
			return // big.Rat would write out every digit
		} else if ferr == nil && fl == 0 {
			if m != 0 || err == ErrTooLarge {
				t.Fatalf("%s: %d, %v", s, int64(m), err) // a zero, or too fine
			}
			return
		}
		r, ok := new(big.Rat).SetString(s)
		if !ok {
			t.Fatalf("%q is taken for a number", s)
		}
		r.Mul(r, big.NewRat(int64(One), 1))
		inRange := new(big.Rat).Abs(r).Cmp(big.NewRat(int64(MicroMax), 1)) <= 0
		switch {
		case err == nil && (!r.IsInt() || r.Num().Int64() != int64(m) || !inRange):
			t.Fatalf("%s: %d", s, int64(m))
		case err == ErrTooFine && r.IsInt(), err == ErrTooLarge && inRange:
			t.Fatalf("%s: %v", s, err)
		}
	})
}
