// Package calc is the list of all calculations, by name: the one place where
// the console, the API, the phone and Go programs find them. Whichever way a
// calculation is asked for, the same JSON gives the same bytes.
//
// A calculation is a pure function of a package of its own; here it gets its
// name, one line about it and its source. What it takes and gives is described
// by the tags of its structs (package input).
//
// To add one: write the function, `func Name(in NameInput) (NameResult, error)`,
// in its subject's package, a line in list.go, one example in
// testdata/examples.json. Console, API and phone have it then.
package calc
