package accounts_test

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

// store is what the tests need of a store, whichever engine it is on.
type store interface {
	hub.Store
	accounts.DB
	Reader() *sql.DB
	Close() error
}

// kind is how the tests come by a store: a fresh place for one, and the store that is there.
type kind struct {
	fresh func(t testing.TB) string
	open  func(t testing.TB, place string) (store, error)
}

var (
	onSQLite = kind{
		fresh: func(t testing.TB) string { return filepath.Join(t.TempDir(), "gatewright.db") },
		open: func(t testing.TB, place string) (store, error) {
			return sqlitestore.Open(context.Background(), place, sqlitestore.Options{})
		},
	}
	onPostgreSQL = kind{
		fresh: func(t testing.TB) string {
			return pgtest.StartFrom(t, func(ctx context.Context, dsn string) error {
				db, err := pgstore.Open(ctx, dsn, pgstore.Options{})
				if err != nil {
					return err
				}
				return db.Close()
			})
		},
		open: func(t testing.TB, place string) (store, error) {
			return pgstore.Open(context.Background(), place, pgstore.Options{})
		},
	}
	engine = onSQLite
)

// On PostgreSQL all this package's tests of stories run once more.
var again = map[string]func(*testing.T){
	"TestCreateSite":                TestCreateSite,
	"TestInvitationIsSpentOnce":     TestInvitationIsSpentOnce,
	"TestInvitationRunsOut":         TestInvitationRunsOut,
	"TestCodesAsTheyAreTyped":       TestCodesAsTheyAreTyped,
	"TestJoinOnAnEnrolledDevice":    TestJoinOnAnEnrolledDevice,
	"TestInviteRefuses":             TestInviteRefuses,
	"TestEndPerson":                 TestEndPerson,
	"TestChallenge":                 TestChallenge,
	"TestTicket":                    TestTicket,
	"TestRevoke":                    TestRevoke,
	"TestServerKeysStay":            TestServerKeysStay,
	"TestQuarantine":                TestQuarantine,
	"TestDrainedIsBounded":          TestDrainedIsBounded,
	"TestRestoreWindow":             TestRestoreWindow,
	"TestSecretsAreStoredAsDigests": TestSecretsAreStoredAsDigests,
	"TestAllPhonesAtOnce":           TestAllPhonesAtOnce,
}

func TestOnPostgreSQL(t *testing.T) {
	pgtest.Start(t)
	engine = onPostgreSQL
	defer func() { engine = onSQLite }()
	for _, name := range slices.Sorted(maps.Keys(again)) {
		t.Run(name, again[name])
	}
}

// No test is forgotten.
func TestAllRunOnPostgreSQL(t *testing.T) {
	alone := map[string]bool{"TestOnPostgreSQL": true, "TestAllRunOnPostgreSQL": true}
	packages, err := parser.ParseDir(token.NewFileSet(), ".", func(f fs.FileInfo) bool { return strings.HasSuffix(f.Name(), "_test.go") }, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range packages {
		for _, f := range p.Files {
			for _, d := range f.Decls {
				fn, ok := d.(*ast.FuncDecl)
				if ok && fn.Recv == nil && strings.HasPrefix(fn.Name.Name, "Test") && again[fn.Name.Name] == nil && !alone[fn.Name.Name] {
					t.Errorf("%s is not in the list of those that run on PostgreSQL", fn.Name.Name)
				}
			}
		}
	}
}
