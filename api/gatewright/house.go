package main

import (
	"context"
	"io"
	"log/slog"
	"time"

	"github.com/google/uuid"

	"gatewright/api/accounts"
	"gatewright/sync/hub"
)

// house is everything that stands on one database.
type house struct {
	db       database
	accounts *accounts.Accounts
	log      *slog.Logger
}

// open opens, and where need be makes, the database.
func open(ctx context.Context, data string, log *slog.Logger) (*house, error) {
	db, err := openDatabase(ctx, data, log)
	if err != nil {
		return nil, err
	}
	return &house{db: db, accounts: accounts.New(db, time.Now), log: log}, nil
}

// existing opens a database that a server has used before.
func existing(ctx context.Context, data string) (*house, error) {
	if err := there(data); err != nil {
		return nil, err
	}
	return open(ctx, data, quiet())
}

func (h *house) close() error { return h.db.Close() }

// reconcileEvery is how long an entry takes at most from a phone at one server to a phone at another that shares the
// database, besides a second for the hub's tick: short enough for two people at the same gate. It costs two small reads
// for each site that somebody is connected to.
const reconcileEvery = 3 * time.Second

// runner is the hub at work on this database. The storage id stays for the life of the database: peers keep what
// they know of the server against it.
func (h *house) runner(ctx context.Context) (*hub.Runner, error) {
	storage, err := h.accounts.SettingOr(ctx, "storage_id", uuid.NewString())
	if err != nil {
		return nil, err
	}
	c := hub.Config{StorageID: storage, Now: time.Now, RestoreUntil: h.accounts.RestoreUntil}
	if onPostgres() { // a file has one server
		c.Reconcile = reconcileEvery
	}
	return hub.NewRunner(h.db, c, h.log), nil
}

func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }
