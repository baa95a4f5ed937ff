// Command answer is the program that is built for every platform: it plays sites from standard input on the engine of
// the rules, as play.Serve says; with the word whole it writes every answer, not only their digest. With the word
// calculations it reads {"calculation":NAME,"input":…}, one a line, and writes the answers or problems. With the word
// platform it reads nothing and says which system and architecture it was built for.
package main

import (
	"bufio"
	"io"
	"os"
	"runtime"

	"gatewright/ops/platforms/play"
	"gatewright/schema/calc"
	"gatewright/schema/canon"
)

func main() {
	word := ""
	if len(os.Args) > 1 {
		word = os.Args[1]
	}
	var err error
	switch word {
	case "platform":
		_, err = os.Stdout.WriteString(runtime.GOOS + "/" + runtime.GOARCH + "\n")
	case "calculations":
		err = calculate(os.Stdin, os.Stdout)
	default:
		engine := func(s *play.Site) (play.Evaluator, error) { return play.NewEngine(s) }
		err = play.Serve(os.Stdin, os.Stdout, word == "whole", engine)
	}
	if err != nil {
		os.Stderr.WriteString("answer: " + err.Error() + "\n")
		os.Exit(1)
	}
}

func calculate(in io.Reader, out io.Writer) error {
	lines, w := bufio.NewScanner(in), bufio.NewWriter(out)
	lines.Buffer(nil, canon.MaxBytes)
	for lines.Scan() {
		v, err := canon.Parse(lines.Bytes())
		if err != nil {
			return err
		}
		name, _ := v.Get("calculation")
		input, _ := v.Get("input")
		answer, err := calc.Run(name.Str, canon.Append(nil, input))
		if err != nil {
			answer = calc.ProblemJSON(err)
		}
		w.Write(answer)
		w.WriteByte('\n')
	}
	if err := lines.Err(); err != nil {
		return err
	}
	return w.Flush()
}
