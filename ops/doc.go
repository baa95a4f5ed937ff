// Package ops holds what keeps the house in order: the statement of who may import whom, the field stories in
// scenario, a second evaluator of the rules in naive, and the commands run, test and bench, the last over load.
package ops
