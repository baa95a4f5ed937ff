package num

// FloorDiv is a divided by b, rounded down; b is above 0.
func FloorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

// FloorMod is what FloorDiv leaves over, at least 0 and below b.
func FloorMod(a, b int64) int64 {
	m := a % b
	if m < 0 {
		m += b
	}
	return m
}
