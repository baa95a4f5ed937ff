package crash

import (
	"context"
	"database/sql"
	"path/filepath"

	"gatewright/sync/hub"
	"gatewright/sync/sqlitestore"
)

// Database is a database opened for reading only, beside the server or without it.
type Database interface {
	hub.Store
	Reader() *sql.DB
	Close() error
}

// Store is where a server under trial keeps its data.
type Store interface {
	Name() string
	Folder() string        // the data folder
	Environment() []string // for the server, NAME=value
	Open(ctx context.Context) (Database, error)
	Close() error
}

// Breakable is a store with a server of its own, which can be killed too.
type Breakable interface {
	Store
	// Break kills it without a chance to put anything in order.
	Break() error
	// Mend starts it again and waits until it answers.
	Mend(ctx context.Context) error
}

// SQLite is a database file in a data folder.
type SQLite struct{ folder string }

// NewSQLite gives the store in a folder, which need not exist.
func NewSQLite(folder string) *SQLite { return &SQLite{folder} }

// Name is sqlite.
func (*SQLite) Name() string { return "sqlite" }

// Folder is the data folder.
func (s *SQLite) Folder() string { return s.folder }

// Environment is empty: SQLite is what a server uses that is told nothing.
func (*SQLite) Environment() []string { return []string{"GATEWRIGHT_DATABASE="} }

// File is the path of the database file.
func (s *SQLite) File() string { return filepath.Join(s.folder, "gatewright.db") }

// Open opens the file for reading.
func (s *SQLite) Open(ctx context.Context) (Database, error) {
	return sqlitestore.Open(ctx, s.File(), sqlitestore.Options{ReadOnly: true})
}

// Close does nothing: a file needs no one to look after it.
func (*SQLite) Close() error { return nil }
