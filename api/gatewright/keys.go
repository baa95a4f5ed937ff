package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"gatewright/api/accounts"
	"gatewright/api/auth"
)

func keysCommand() *cobra.Command {
	c := &cobra.Command{Use: "keys", Short: "The keys that the server signs tokens with"}
	var data string
	rotate := &cobra.Command{Use: "rotate", Short: "Sign with a new key from now on; running servers follow within a minute", Args: cobra.NoArgs}
	rotate.RunE = console(&data, func(ctx context.Context, h *house, cmd *cobra.Command) error {
		kid, err := h.accounts.RotateKeys(ctx, auth.KeyLife)
		if err != nil {
			return err
		}
		if err := h.accounts.Note(ctx, accounts.Event{Who: "console", What: "rotate keys", Target: kid, Outcome: "ok"}); err != nil {
			return err
		}
		fmt.Fprintf(cmd.OutOrStdout(), "Tokens are signed with key %s; those signed before hold until they run out.\n", kid)
		return nil
	})
	dataFlag(rotate, &data)
	c.AddCommand(rotate)
	return c
}
