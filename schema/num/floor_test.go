package num

import "testing"

// Division and remainder on both sides of zero, by hand.
func TestFloor(t *testing.T) {
	for _, c := range []struct{ a, b, div, mod int64 }{
		{7, 3, 2, 1}, {6, 3, 2, 0}, {0, 3, 0, 0}, {-1, 3, -1, 2}, {-3, 3, -1, 0}, {-4, 3, -2, 2},
	} {
		if div, mod := FloorDiv(c.a, c.b), FloorMod(c.a, c.b); div != c.div || mod != c.mod {
			t.Errorf("%d by %d: %d rest %d, want %d rest %d", c.a, c.b, div, mod, c.div, c.mod)
		}
	}
}
