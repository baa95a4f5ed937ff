// Command gatewright is the one binary: the server, and what is done from its console.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"gatewright/api/problem"
)

// version is set by the build (-ldflags "-X main.version=…").
var version = "development"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := root().ExecuteContext(ctx); err != nil {
		fmt.Fprintln(os.Stderr, "gatewright: "+sentence(err))
		os.Exit(exitCode(err))
	}
}

// sentence is what a person at the console reads: the public sentence when there is one.
func sentence(err error) string {
	var e *problem.Error
	if errors.As(err, &e) && e.Kind != problem.Internal {
		return e.Sentence
	}
	return err.Error()
}

// exitCode is 2 for what the caller can mend and for a check that could not be made, 1 for the rest.
func exitCode(err error) int {
	if errors.As(err, &unable{}) {
		return 2
	}
	var e *problem.Error
	if errors.As(err, &e) && e.Kind != problem.Internal && e.Kind != problem.Unavailable {
		return 2
	}
	return 1
}

func root() *cobra.Command {
	c := &cobra.Command{
		Use:           "gatewright",
		Short:         "The shared upkeep logbook of automatic sorting gates",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	c.CompletionOptions.HiddenDefaultCmd = true
	c.SetFlagErrorFunc(func(_ *cobra.Command, err error) error {
		return problem.New(problem.Invalid, "flags", err.Error()+".")
	})
	c.AddCommand(serveCommand(), demoCommand(), siteCommand(), inviteCommand(), keysCommand(), ticketCommand(), docsCommand(), rulesCommand(), checkCommand(), packCommand(), calcCommand(), versionCommand())
	return c
}

func versionCommand() *cobra.Command {
	return &cobra.Command{Use: "version", Short: "Print the version", Args: cobra.NoArgs,
		Run: func(cmd *cobra.Command, _ []string) { fmt.Fprintln(cmd.OutOrStdout(), "gatewright "+version) }}
}
