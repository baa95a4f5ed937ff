package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"gatewright/api/problem"
	"gatewright/sync/scrub"
)

// errFindings ends a check that found something: exit status 1.
var errFindings = errors.New("the check found something wrong")

// unable is why a check could not be made: exit status 2, so that a script can tell it from damage.
type unable struct{ error }

func (u unable) Unwrap() error { return u.error }

func checkCommand() *cobra.Command {
	var data, site string
	c := &cobra.Command{Use: "check", Short: "Look through the database for damage, also beside a running server", Args: cobra.NoArgs,
		Long: "Hashes and reads every stored change and holds it against all that stands beside it. It changes nothing.\n" +
			"Prints a line for each thing that is wrong, then a summary. Exit status: 0 nothing wrong, 1 findings, 2 could not check.",
		RunE: func(cmd *cobra.Command, _ []string) error {
			return check(cmd.Context(), cmd, data, site)
		}}
	dataFlag(c, &data)
	c.Flags().StringVar(&site, "site", "", "slug of the one site to check; all when left out")
	return c
}

func check(ctx context.Context, cmd *cobra.Command, data, site string) error {
	db, err := openToLook(ctx, data)
	if err != nil {
		return unable{err}
	}
	told, wipe := checkProgress()
	sum, err := scrub.Check(ctx, db, scrub.Options{Site: site, Told: told, Report: func(f scrub.Finding) {
		wipe()
		fmt.Fprintln(cmd.OutOrStdout(), f)
	}})
	wipe()
	if err = errors.Join(err, db.Close()); errors.Is(err, scrub.ErrNoSite) {
		return unable{problem.New(problem.NotFound, "site", "--site: there is no site "+site+".")}
	} else if err != nil {
		return unable{err}
	}
	fmt.Fprintln(cmd.OutOrStdout(), sum)
	if sum.Findings > 0 {
		return errFindings
	}
	return nil
}

// checkProgress tells a terminal how far a check is; a pipe stays quiet.
func checkProgress() (told func(site string, done, of int), wipe func()) {
	if !terminal(os.Stderr) {
		return func(string, int, int) {}, func() {}
	}
	return func(site string, done, of int) {
			fmt.Fprintf(os.Stderr, "\r\033[Kchecking %s: %d of %d documents", site, done, of)
		}, func() {
			fmt.Fprint(os.Stderr, "\r\033[K")
		}
}

// terminal reports that somebody looks at it.
func terminal(f *os.File) bool {
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
