// Package main is the calculations as a WebAssembly module: those of console
// and API, done on the phone by the same Go code, without a connection.
//
// It is a module of its own, beside the rules, because the phone needs the
// rules at every start and this only when somebody calculates; here reflection
// and tables may weigh something.
//
// It is a reactor (GOOS=wasip1, -buildmode=c-shared): the host calls
// _initialize once and then the functions below, one at a time. The module
// needs no file, clock or network.
//
// Memory: the host asks for room with gw_input(n), writes n bytes there and
// then calls a function that reads them. What a function has to say lies in a
// buffer whose place and length gw_result and gw_result_size give, good until
// the next call. Text is UTF-8.
//
//	gw_input(n) place       room for the next input
//	gw_list()               leaves all calculations with their JSON Schemas, as GET /api/v1/calc gives them
//	gw_calc(n) 0|-1         name, line feed, JSON: leaves the answer; after -1 {"error":{"field":…,"message":…}}
//	gw_result() place, gw_result_size() n
package main

// A reactor has no main of its own; the linker wants one, and so does a build for another system.
func main() {}
