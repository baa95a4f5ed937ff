// Package num holds numerics that give the same bits on every platform.
//
// math.Exp, Log, Erf and their kin use assembly on some architectures, and a
// compiler may fuse x*y+z into one rounding on others (arm64, amd64 from
// GOAMD64=v3 on). Two replicas would then disagree in the last bit, and the
// rules' output is compared byte for byte. Here only + - * / and square root
// are used, which IEEE 754 rounds in one way, every product is wrapped in
// float64(), which the Go specification says prevents fusion, and the order of
// operations is fixed. Each function states its error bound; the tests measure
// it against math/big or the standard library.
//
// Where a decision is made (inside a limit or not) use Micro, which is exact.
//
// The package is linked into the phone's WebAssembly: it imports neither fmt,
// encoding/json nor reflect.
package num
