//go:build wasip1

package main

import (
	"bytes"
	"unsafe"

	"gatewright/schema/calc"
)

var input, result []byte

//go:wasmexport gw_input
func gwInput(n int32) unsafe.Pointer {
	input = make([]byte, max(n, 1))
	return unsafe.Pointer(&input[0])
}

//go:wasmexport gw_result
func gwResult() unsafe.Pointer {
	if len(result) == 0 {
		return nil
	}
	return unsafe.Pointer(&result[0])
}

//go:wasmexport gw_result_size
func gwResultSize() int32 { return int32(len(result)) }

//go:wasmexport gw_list
func gwList() { result = calc.ListJSON() }

//go:wasmexport gw_calc
func gwCalc(n int32) int32 {
	name, json, _ := bytes.Cut(input[:n], []byte("\n"))
	out, err := calc.Run(string(name), json)
	if err != nil {
		result = calc.ProblemJSON(err)
		return -1
	}
	result = out
	return 0
}
