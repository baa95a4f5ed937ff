// Package reference holds the calculations, and what else of the schema a
// published value exists for, against values from outside: standards,
// handbooks, worked examples, open data. testdata/cases.json has each case with
// its source, whether the value was read there or is from memory, and what is
// to be known about it. The test makes every case go the way a user's question
// goes, as JSON by its name, and prints the table:
//
//	go test ./schema/reference -run Table -v
//
// There is nothing in the package but the test.
package reference
