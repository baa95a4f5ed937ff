package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"

	"gatewright/api/accounts"
	"gatewright/api/problem"
	"gatewright/sync/hub"
	"gatewright/sync/sqlitestore"
)

// house is everything that stands on one data folder: the database and what works on it.
type house struct {
	db       *sqlitestore.DB
	accounts *accounts.Accounts
	log      *slog.Logger
}

// open opens, and where need be makes, the database in a data folder.
func open(ctx context.Context, data string, log *slog.Logger) (*house, error) {
	if err := os.MkdirAll(data, 0o700); err != nil {
		return nil, fmt.Errorf("making the data folder: %w", err)
	}
	db, err := sqlitestore.Open(ctx, filepath.Join(data, "gatewright.db"), sqlitestore.Options{})
	if err != nil {
		return nil, fmt.Errorf("opening the database: %w", err)
	}
	return &house{db: db, accounts: accounts.New(db, time.Now), log: log}, nil
}

// existing opens a data folder that a server has used before.
func existing(ctx context.Context, data string) (*house, error) {
	if _, err := os.Stat(filepath.Join(data, "gatewright.db")); err != nil {
		return nil, problem.New(problem.NotFound, "data", "--data: there is no Gatewright database in "+data+".")
	}
	return open(ctx, data, quiet())
}

func (h *house) close() error { return h.db.Close() }

// runner is the hub at work on this database. The storage id stays for the life of the database: peers keep what
// they know of the server against it.
func (h *house) runner(ctx context.Context) (*hub.Runner, error) {
	storage, err := h.accounts.Setting(ctx, "storage_id")
	if err != nil {
		return nil, err
	}
	if storage == "" {
		storage = uuid.NewString()
		if err := h.accounts.SetSetting(ctx, "storage_id", storage); err != nil {
			return nil, err
		}
	}
	return hub.NewRunner(h.db, hub.Config{StorageID: storage, Now: time.Now, RestoreUntil: h.accounts.RestoreUntil}, h.log), nil
}

func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }
