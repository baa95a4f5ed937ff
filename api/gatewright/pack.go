package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"gatewright/sync/pack"
)

// Closed months are packed a few at a time, so that nobody waits long for the writer: each is one short transaction.
const (
	packFirst = time.Minute // after the start
	packEvery = time.Hour
	packMost  = 8 // in one pass; the next one comes a minute later when there may be more
)

// keepPacked packs closed months until the context ends.
func (h *house) keepPacked(ctx context.Context) {
	wait := time.NewTimer(packFirst)
	defer wait.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-wait.C:
		}
		n, err := pack.Pass(ctx, h.db, time.Now(), packMost)
		if err != nil && ctx.Err() == nil {
			h.log.Error("packing closed months", "error", err)
		}
		if n > 0 {
			h.log.Info("packed closed months", "documents", n)
		}
		next := packEvery
		if n == packMost {
			next = packFirst
		}
		wait.Reset(next)
	}
}

func packCommand() *cobra.Command {
	var data string
	c := &cobra.Command{Use: "pack", Short: "Pack closed months now; a server does it by itself", Args: cobra.NoArgs}
	c.RunE = console(&data, func(ctx context.Context, h *house, cmd *cobra.Command) error {
		for {
			n, err := pack.Pass(ctx, h.db, time.Now(), packMost)
			if n > 0 {
				fmt.Fprintf(cmd.OutOrStdout(), "packed %d\n", n)
			}
			if n == 0 || err != nil {
				return err
			}
		}
	})
	dataFlag(c, &data)
	return c
}
