// Package platforms holds what rules and calculations answer on one platform against what they answer on every other, byte for
// byte. One program (answer) is built for each of them from the same source. Random sites, each with the steps in
// which it is told and asked, go to all of these programs and to the independent evaluator of ops/naive; a site on
// which any two of them answer differently is a difference, and its seed brings it back. The calculations are tried in
// the same programs, on inputs made from their examples.
//
// What is compared is what a change of compiler or processor could touch: instructions that fuse a product and a sum
// (amd64 with GOAMD64=v3, arm64), the wasm virtual machine, the width of int, the order of bytes. The sites are made
// once, here, so that all of them work on the same bytes.
package platforms
