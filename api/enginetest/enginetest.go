// Package enginetest runs a package's tests on both databases. They are
// written once, on SQLite, and come by their store through a Kind; a list of
// them is run again on a private PostgreSQL, and no test may be missing in it.
package enginetest

import (
	"context"
	"database/sql"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gatewright/api/accounts"
	"gatewright/sync/hub"
	"gatewright/sync/pgstore"
	"gatewright/sync/pgstore/pgtest"
	"gatewright/sync/sqlitestore"
)

// Store is what tests need of a store, whichever engine it is on.
type Store interface {
	hub.Store
	accounts.DB
	Reader() *sql.DB
	Close() error
}

// Kind is how tests come by a store: a fresh place for one, and the store that
// is there.
type Kind struct {
	Fresh func(t testing.TB) string
	Open  func(t testing.TB, place string) (Store, error)
}

// The engines there are.
var (
	SQLite = Kind{
		Fresh: func(t testing.TB) string { return filepath.Join(t.TempDir(), "gatewright.db") },
		Open: func(t testing.TB, place string) (Store, error) {
			return sqlitestore.Open(context.Background(), place, sqlitestore.Options{})
		},
	}
	PostgreSQL = Kind{
		Fresh: func(t testing.TB) string {
			return pgtest.StartFrom(t, func(ctx context.Context, dsn string) error {
				db, err := pgstore.Open(ctx, dsn, pgstore.Options{})
				if err != nil {
					return err
				}
				return db.Close()
			})
		},
		Open: func(t testing.TB, place string) (Store, error) {
			return pgstore.Open(context.Background(), place, pgstore.Options{})
		},
	}
)

// Again runs tests once more, on PostgreSQL; engine is what they come by their
// store through, and is as before afterwards. It skips, loudly, without one.
func Again(t *testing.T, engine *Kind, tests map[string]func(*testing.T)) {
	pgtest.Start(t)
	before := *engine
	*engine = PostgreSQL
	defer func() { *engine = before }()
	for _, name := range slices.Sorted(maps.Keys(tests)) {
		t.Run(name, tests[name])
	}
}

// Complete fails for a test of the package in the current folder that is
// neither among those that run again nor named as one that need not.
func Complete(t *testing.T, tests map[string]func(*testing.T), alone ...string) {
	packages, err := parser.ParseDir(token.NewFileSet(), ".", func(f fs.FileInfo) bool { return strings.HasSuffix(f.Name(), "_test.go") }, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range packages {
		for _, f := range p.Files {
			for _, d := range f.Decls {
				fn, ok := d.(*ast.FuncDecl)
				if ok && fn.Recv == nil && strings.HasPrefix(fn.Name.Name, "Test") && tests[fn.Name.Name] == nil && !slices.Contains(alone, fn.Name.Name) {
					t.Errorf("%s is not in the list of those that run on PostgreSQL", fn.Name.Name)
				}
			}
		}
	}
}
