// Package main is the rules as a WebAssembly module: what the server computes
// from plan and entries, computed on the phone by the same Go code.
//
// It is a reactor (GOOS=wasip1, -buildmode=c-shared): the host calls
// _initialize once and then the functions below, one at a time. The module
// needs no file, clock or network; time comes in as a value.
//
// Memory: the host asks for room with gw_input(n), writes n bytes there and
// then calls a function that reads them. A function that has something to say
// leaves it in a buffer whose place and length gw_result and gw_result_size
// give, good until the next call. Text is UTF-8.
//
//	gw_input(n) place        room for the next input
//	gw_reset()               forget everything
//	gw_plan_change(n) 0|-1   one change of the plan document, in order of dependence
//	gw_entries(n) new        entries, each four bytes of length (little end first) and the canonical text
//	gw_heads(n)              lines: the document's name, then its heads in hex
//	gw_evaluate(now)         leaves the rules' output for an instant, ms since 1970 UTC
//	gw_plan()                leaves the plan's projection
//	gw_conflicts()           leaves the plan's conflicts
//	gw_rejected()            leaves a list of the entries that could not be read, each with one sentence
//	gw_result() place, gw_result_size() n
//
// -1 means refused: the result then holds one sentence. Nothing here may
// import fmt, encoding/json or reflect: they make the module half as large
// again and its calls ten times slower.
package main

// A reactor has no main of its own; the linker wants one, and so does a build for another system.
func main() {}
