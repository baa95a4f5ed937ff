package num

import "strconv"

// Round rounds x to so many decimals (0 to 17) of its exact value; a tie, of
// which few decimals have one in binary, goes to the even digit. Outputs are rounded
// with it to the digits they state. Infinities and NaN stay, and -0 becomes 0.
func Round(x float64, decimals int) float64 {
	if x != x || x-x != 0 {
		return x
	}
	var buf [400]byte
	text := strconv.AppendFloat(buf[:0], x, 'f', max(0, min(17, decimals)), 64)
	f, err := strconv.ParseFloat(string(text), 64)
	if err != nil {
		return x // rounded beyond the greatest float64, which has no decimals
	}
	return f + 0
}
