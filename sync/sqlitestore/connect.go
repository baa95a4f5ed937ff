package sqlitestore

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net/url"
	"slices"

	"modernc.org/sqlite"
)

// A setting is one PRAGMA: what the data source name asks for and what the
// connection must answer.
type setting struct {
	name string
	set  string // "" = only read back
	want string
}

// settings of every connection. Synchronous FULL makes each commit wait until
// the write-ahead log is on the disk; with less, a commit may be lost with the
// power although nobody was told.
func settings(o Options, write bool) []setting {
	list := []setting{
		{"busy_timeout", "10000", "10000"}, // ms; another process may hold the write lock
		{"journal_mode", "WAL", "wal"},
		{"synchronous", "FULL", "2"},
		{"foreign_keys", "ON", "1"},
		{"trusted_schema", "OFF", "0"},
	}
	if o.ReadOnly { // a reader may not change it, and reads a backup in another mode as well
		list = slices.DeleteFunc(list, func(s setting) bool { return s.name == "journal_mode" })
	}
	for i := range list {
		if list[i].name == "synchronous" && o.synchronous != "" {
			list[i].set = o.synchronous
		}
	}
	if !write {
		list = append(list, setting{"query_only", "ON", "1"})
	}
	return list
}

// source is the data source name of path with its settings. Transactions of
// the writer take the write lock when they begin, so that none fails half-way
// for want of it.
func source(path string, o Options, write bool) string {
	q := url.Values{}
	for _, s := range settings(o, write) {
		if s.set != "" {
			q.Add("_pragma", s.name+"("+s.set+")")
		}
	}
	if write {
		q.Set("_txlock", "immediate")
	}
	q.Set("mode", "rw")
	if o.ReadOnly {
		q.Set("mode", "ro")
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	return u.String()
}

// connector opens connections and lets none through that does not answer with
// the settings it was asked for.
type connector struct {
	driver.Connector
	settings  []setting
	unchecked bool
}

func pool(path string, o Options, write bool) (*sql.DB, error) {
	c, err := sqlite.NewConnector(source(path, o, write))
	if err != nil {
		return nil, err
	}
	db := sql.OpenDB(connector{c, settings(o, write), o.unchecked})
	n := readers
	if write {
		n = 1
	}
	db.SetMaxOpenConns(n)
	db.SetMaxIdleConns(n)
	return db, nil
}

func (c connector) Connect(ctx context.Context) (driver.Conn, error) {
	conn, err := c.Connector.Connect(ctx)
	if err != nil || c.unchecked {
		return conn, err
	}
	for _, s := range c.settings {
		got, err := pragma(ctx, conn, s.name)
		if err == nil && got != s.want {
			err = fmt.Errorf("%w: %s is %s, want %s", ErrSettings, s.name, got, s.want)
		}
		if err != nil {
			return nil, errors.Join(err, conn.Close())
		}
	}
	return conn, nil
}

// pragma reads one setting of a connection.
func pragma(ctx context.Context, conn driver.Conn, name string) (_ string, err error) {
	q, ok := conn.(driver.QueryerContext)
	if !ok {
		return "", errors.New("the driver's connection cannot be queried")
	}
	rows, err := q.QueryContext(ctx, "PRAGMA "+name, nil)
	if err != nil {
		return "", fmt.Errorf("reading %s: %w", name, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	row := make([]driver.Value, len(rows.Columns()))
	if len(row) != 1 {
		return "", fmt.Errorf("reading %s: %d columns", name, len(row))
	}
	if err := rows.Next(row); errors.Is(err, io.EOF) {
		return "", fmt.Errorf("reading %s: no answer", name)
	} else if err != nil {
		return "", fmt.Errorf("reading %s: %w", name, err)
	}
	return fmt.Sprint(row[0]), nil
}
