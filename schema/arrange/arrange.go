// Package arrange sorts with little code: package slices has nine functions for
// each type that it sorts, which all stand in a phone's WebAssembly.
package arrange

import "cmp"

// short is how many are put in order one by one.
const short = 12

// By puts a list in the order of compare; what is equal stays as it is.
func By[T any](list []T, compare func(a, b T) int) {
	n := len(list)
	sorted := true
	for begin := 0; begin < n; begin += short {
		for i := begin + 1; i < min(begin+short, n); i++ {
			for j := i; j > begin && compare(list[j], list[j-1]) < 0; j-- {
				list[j], list[j-1] = list[j-1], list[j]
			}
		}
		sorted = sorted && (begin == 0 || compare(list[begin], list[begin-1]) >= 0)
	}
	if sorted {
		return
	}
	from, to := list, make([]T, n)
	turns := 0
	for width := short; width < n; width *= 2 {
		for begin := 0; begin < n; begin += 2 * width {
			middle, end := min(begin+width, n), min(begin+2*width, n)
			for i, j, k := begin, middle, begin; k < end; k++ {
				if j == end || i < middle && compare(from[j], from[i]) >= 0 {
					to[k] = from[i]
					i++
				} else {
					to[k] = from[j]
					j++
				}
			}
		}
		from, to = to, from
		turns++
	}
	if turns%2 == 1 {
		copy(list, from)
	}
}

// Sort puts a list in its own order.
func Sort[T cmp.Ordered](list []T) { By(list, cmp.Compare[T]) }
