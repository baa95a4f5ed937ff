// Package scenario tells stories of the field against the real server: the
// hub's step machine, its admission and a real store run here as they do in
// the server. Only phones, links and clocks are simulated, and time passes
// when the story says so.
//
// A story is a script (testdata/*.txtar) that reads like what happened in the
// yard, with the expected output written by hand. It ends with converged: all
// phones and the server then hold byte-equal documents, and the rules say the
// same byte for byte, on every phone, on the server, in an evaluator that
// shares no code with them, and after being saved and loaded.
//
// The same script gives the same bytes every time. What draws chance (ids,
// actors) draws it from a source that is seeded by the names in the story.
package scenario
