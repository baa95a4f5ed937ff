package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"gatewright/api/problem"
	"gatewright/schema/calc"
	"gatewright/schema/canon"
	"gatewright/schema/input"
)

func calcCommand() *cobra.Command {
	var json string
	var list, schemas bool
	c := &cobra.Command{Use: "calc NAME [--json JSON]", Short: "Do one calculation: JSON in, JSON out",
		Long: "Does one calculation of the trade (air, beams, readers, trends, charts, rates, schedules …); no data folder is needed.\n" +
			"The input is a JSON object: --json, or standard input when that is - or left out.\n" +
			"The answer is one line of canonical JSON (RFC 8785) on standard output, exit status 0.\n" +
			`Bad input gives {"error":{"field":"x[3]","message":"…"}} in its place, also on standard output, and exit status 2.`,
		Example: "  gatewright calc --list\n" +
			`  gatewright calc unit.convert --json '{"value":6,"from":"bar","to":"kPa"}'` + "\n" +
			"  gatewright calc trend.line < readings.json",
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case len(args) > 1:
				return problem.New(problem.Invalid, "name", "calc takes one name; "+args[1]+" is too much.")
			case list && schemas:
				return problem.New(problem.Invalid, "flags", "--list and --schemas do not go together.")
			case list:
				return printCalculations(cmd.OutOrStdout())
			case schemas:
				return printSchemas(cmd.OutOrStdout(), args)
			case len(args) == 0:
				return problem.New(problem.Invalid, "name", "calc wants the name of a calculation: gatewright calc --list shows them.")
			}
			text := []byte(json)
			if json == "-" || !cmd.Flags().Changed("json") {
				if in, ok := cmd.InOrStdin().(*os.File); ok && json != "-" && terminal(in) {
					return refuse(cmd.OutOrStdout(), input.Bad("", "the input is missing: --json '{…}', or JSON on standard input"))
				}
				var err error
				if text, err = io.ReadAll(io.LimitReader(cmd.InOrStdin(), canon.MaxBytes+1)); err != nil {
					return fmt.Errorf("reading standard input: %w", err)
				}
			}
			out, err := calc.Run(args[0], text)
			if err != nil {
				return refuse(cmd.OutOrStdout(), err)
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s\n", out)
			return err
		}}
	c.Flags().StringVar(&json, "json", "", "the input; - reads it from standard input")
	c.Flags().BoolVar(&list, "list", false, "show all calculations: name, what it says, source")
	c.Flags().BoolVar(&schemas, "schemas", false, "print all (or the named one) as JSON, with the JSON Schemas of input and answer, units among them")
	return c
}

// refuse tells a program what is wrong, and gives the error that tells a person.
func refuse(out io.Writer, err error) error {
	if _, err := fmt.Fprintf(out, "%s\n", calc.ProblemJSON(err)); err != nil {
		return err
	}
	var p *input.Problem
	if !errors.As(err, &p) {
		return err
	}
	return problem.New(problem.Invalid, p.Field, p.Error()+".")
}

func printCalculations(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "NAME\tSAYS\tSOURCE")
	for _, c := range calc.All() {
		fmt.Fprintln(w, strings.Join([]string{c.Name, c.About, c.Source}, "\t"))
	}
	return w.Flush()
}

func printSchemas(out io.Writer, args []string) error {
	text := calc.ListJSON()
	if len(args) == 1 {
		c, ok := calc.Find(args[0])
		if !ok {
			_, err := calc.Run(args[0], nil)
			return refuse(out, err)
		}
		text = c.JSON()
	}
	_, err := fmt.Fprintf(out, "%s\n", text)
	return err
}
