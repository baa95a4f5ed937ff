// Command answer is the program that is built for every platform: it plays sites from standard input on the engine of
// the rules, as play.Serve says; with the word whole it writes every answer, not only their digest. With the word
// platform it reads nothing and says which system and architecture it was built for.
package main

import (
	"os"
	"runtime"

	"gatewright/ops/platforms/play"
)

func main() {
	word := ""
	if len(os.Args) > 1 {
		word = os.Args[1]
	}
	if word == "platform" {
		os.Stdout.WriteString(runtime.GOOS + "/" + runtime.GOARCH + "\n")
		return
	}
	engine := func(s *play.Site) (play.Evaluator, error) { return play.NewEngine(s) }
	if err := play.Serve(os.Stdin, os.Stdout, word == "whole", engine); err != nil {
		os.Stderr.WriteString("answer: " + err.Error() + "\n")
		os.Exit(1)
	}
}
