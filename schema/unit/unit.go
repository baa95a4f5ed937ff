// Package unit converts between the units that gauges, makers' sheets and
// tape measures of a gate are marked in.
//
// Every factor is exact: the international foot, inch and pound by definition
// (0.3048 m, 0.0254 m, 0.453 592 37 kg), the standard fall 9.806 65 m/s², the
// standard atmosphere 101 325 Pa. inHg is the conventional inch of mercury
// (13 595.1 kg/m³ at the standard fall, 3386.388 640 341 Pa); one measured at
// 32 °F is 3386.38 Pa, at 60 °F 3376.85 Pa, so a vacuum gauge that says which
// may be 0.3 % away. Source: NIST Special Publication 811 (2008), Appendix B.
//
// Pressures are converted as they stand: gauge stays gauge, absolute absolute.
package unit

import (
	"math"
	"math/big"
	"strconv"

	"gatewright/schema/input"
)

// ConvertInput asks for a value in another unit.
type ConvertInput struct {
	Value float64 `json:"value" doc:"what was measured, in unit from"`
	From  string  `json:"from" doc:"its unit" one:"bar kPa MPa Pa psi inHg atm C F K m mm ft in L ft3 N lbf"`
	To    string  `json:"to" doc:"the unit wanted, of the same quantity" one:"bar kPa MPa Pa psi inHg atm C F K m mm ft in L ft3 N lbf"`
}

// ConvertResult is the value in the unit wanted.
type ConvertResult struct {
	Value    float64 `json:"value" doc:"the same in unit to"`
	Quantity string  `json:"quantity" doc:"what both units measure" one:"pressure temperature length volume force"`
}

// A unit's value v is (v + add) times factor in the quantity's SI unit; both
// are exact decimals or quotients of such.
type unit struct{ name, quantity, factor, add string }

var units = []unit{
	{"Pa", "pressure", "1", ""},
	{"kPa", "pressure", "1000", ""},
	{"MPa", "pressure", "1000000", ""},
	{"bar", "pressure", "100000", ""},
	{"atm", "pressure", "101325", ""},
	{"psi", "pressure", "44482216152605/6451600000", ""}, // lbf/in²
	{"inHg", "pressure", "3386.388640341", ""},
	{"K", "temperature", "1", ""},
	{"C", "temperature", "1", "273.15"},
	{"F", "temperature", "5/9", "459.67"},
	{"m", "length", "1", ""},
	{"mm", "length", "0.001", ""},
	{"ft", "length", "0.3048", ""},
	{"in", "length", "0.0254", ""},
	{"L", "volume", "0.001", ""},
	{"ft3", "volume", "0.028316846592", ""},
	{"N", "force", "1", ""},
	{"lbf", "force", "4.4482216152605", ""},
}

// Convert gives value in another unit: with v the shortest decimal that means
// value (what somebody wrote), the float64 nearest to
// (v + add_from) factor_from / factor_to - add_to, computed exactly. So
// 273.16 K is 0.01 C, and a value in its own unit stays itself.
//
// It refuses units of different quantities (field to), temperatures below
// absolute zero, and what is beyond the numbers there are (field value).
func Convert(in ConvertInput) (ConvertResult, error) {
	from, ok := find(in.From)
	if !ok {
		return ConvertResult{}, input.Bad("from", "must be a unit that is known, such as bar or psi")
	}
	to, ok := find(in.To)
	if !ok {
		return ConvertResult{}, input.Bad("to", "must be a unit that is known, such as bar or psi")
	}
	if from.quantity != to.quantity {
		return ConvertResult{}, input.Bad("to", "must be a unit of "+from.quantity+", as "+from.name+" is; "+to.name+" is one of "+to.quantity)
	}
	if math.IsNaN(in.Value) || math.IsInf(in.Value, 0) {
		return ConvertResult{}, input.Bad("value", "must be a number")
	}
	v := rational(strconv.FormatFloat(in.Value, 'e', -1, 64))
	v.Add(v, rational(from.add))
	v.Mul(v, rational(from.factor))
	if from.quantity == "temperature" && v.Sign() < 0 {
		return ConvertResult{}, input.Bad("value", "must not be below absolute zero (0 K, -273.15 C, -459.67 F)")
	}
	v.Quo(v, rational(to.factor))
	v.Sub(v, rational(to.add))
	out, _ := v.Float64()
	if math.IsInf(out, 0) {
		return ConvertResult{}, input.Bad("value", "must be smaller: in "+to.name+" it is beyond the greatest number")
	}
	return ConvertResult{Value: out, Quantity: from.quantity}, nil
}

func find(name string) (unit, bool) {
	for _, u := range units {
		if u.name == name {
			return u, true
		}
	}
	return unit{}, false
}

// rational reads one of the table's numbers, or a float64's decimals; "" is 0.
func rational(text string) *big.Rat {
	r := new(big.Rat)
	if text != "" {
		r.SetString(text)
	}
	return r
}
