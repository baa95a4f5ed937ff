package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"gatewright/sync/pack"
)

// Closed months are packed a few at a time, so that nobody waits long for the writer: each is one short transaction.
const (
	packFirst = time.Minute // after the start
	packEvery = time.Hour
	packLease = 10 * time.Minute
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
		n, err := h.packSome(ctx)
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

// packSome makes one pass, unless another node is at it: nothing is lost when two are, but time.
func (h *house) packSome(ctx context.Context) (n int, err error) {
	now := time.Now()
	lease, ok, err := h.db.Acquire(ctx, "pack", uuid.NewString(), now.UnixMilli(), now.Add(packLease).UnixMilli())
	if err != nil || !ok {
		return 0, err
	}
	n, err = pack.Pass(ctx, h.db, now, packMost)
	_, given := h.db.Release(context.WithoutCancel(ctx), lease)
	return n, errors.Join(err, given)
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
