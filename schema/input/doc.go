// Package input reads the JSON that a calculation is asked with into a struct,
// writes its answer, and describes both as JSON Schema. One set of struct tags
// says everything once: names, units, bounds and words.
//
// The tags of a field:
//
//	json:"bore_mm"     its name
//	doc:"bore of ram"  what it is, one phrase
//	unit:"mm"          its unit, or that of each number of a list
//	min:"0" max:"9"    bounds of a number (of each number of a list), included
//	above:"0" below:"1" the same, not included
//	one:"wilson exact" the words that a text may be
//	len:"2"            fewest items of a list; without it 1
//	most:"1000"        most items of a list or characters of a text; 100,000 and 10,000 without it
//	same:"x"           a list as long as that field's
//	default:"wilson"   what a missing field is taken to be
//
// A field is required, unless it is a pointer (nil when missing; on output
// left out when nil) or has a default. Fields may be float64, int, int64, bool,
// string, canon.Value (anything), a struct of such, a list of such, or a
// pointer to such. What a JSON input holds beside the fields is refused by
// name, so that a misspelt option is not silently ignored. Every number is
// finite; an int must be whole. null is no way to leave a field out.
//
// Bounds hold for what is read. An answer may have empty lists, and what its
// tags say of bounds only describes it.
//
// Tags that say nothing sensible are a mistake of the programmer, found when
// the type is first described: Schema, Read and Write panic then, and never
// because of what is read or written.
//
// The package links into WebAssembly; it uses reflect, so the rules' module,
// which must stay small, does without it.
package input
