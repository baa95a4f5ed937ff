// Command rulesbench measures the rules on a busy site: two gates with the plan that a new site begins with, and
// sixty entries a day. ops/bench builds what it needs and starts it.
//
// Cases:
//
//	first  from stored bytes to the first answer: the plan's changes decoded and folded, every entry read, judged
//	add    one more entry, of now, and the answer anew, beside 1,000 to 200,000 entries
//	late   one more entry, done in the middle of the history, and the answer anew
//	wait   the answer anew a while later, nothing new
//	module the WebAssembly module: sizes, and from its bytes to the first answer with no entry
//
// An answer is the rules' output as Go values; writing it as JSON is a figure of its own. Each is measured natively
// and in the phone's module, there with the writing, which the module does within the same call. The history is
// drawn from a fixed seed, so that two runs have the same work.
package main
