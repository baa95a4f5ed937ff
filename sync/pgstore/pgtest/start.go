//go:build unix

package pgtest

import (
	"context"
	"errors"
	"os"
	"sync"
	"testing"
)

// Needed names the variable that, when set, makes tests fail rather than skip
// where there is no PostgreSQL.
const Needed = "GATEWRIGHT_TEST_POSTGRES"

var shared = sync.OnceValues(func() (*Server, error) { return Run(context.Background(), Options{}) })

// Start gives the address of a fresh database for a test. All tests of one
// process share a server, which starts with the first. Where there is no
// PostgreSQL the test is skipped.
func Start(t testing.TB) (dsn string) {
	t.Helper()
	s, err := shared()
	unless(t, err)
	if dsn, err = s.Database(t.Context()); err != nil {
		t.Fatal(err)
	}
	return dsn
}

var model struct {
	sync.Once
	name string
	err  error
}

// StartFrom is Start with a database that is a copy of one which prepare, given
// its address, has filled: once in a process, which is quicker than for each
// test. prepare leaves no connection open.
func StartFrom(t testing.TB, prepare func(ctx context.Context, dsn string) error) (dsn string) {
	t.Helper()
	s, err := shared()
	unless(t, err)
	model.Do(func() {
		ctx := context.Background()
		if model.name, model.err = s.make(ctx, ""); model.err == nil {
			model.err = prepare(ctx, s.DSN(model.name))
		}
	})
	if model.err != nil {
		t.Fatalf("preparing a database: %v", model.err)
	}
	name, err := s.make(t.Context(), " TEMPLATE "+model.name)
	if err != nil {
		t.Fatal(err)
	}
	return s.DSN(name)
}

// Own gives a server to one test alone, for those that break it.
func Own(t testing.TB, o Options) *Server {
	t.Helper()
	s, err := Run(t.Context(), o)
	unless(t, err)
	t.Cleanup(func() {
		if err := s.Stop(); err != nil {
			t.Errorf("stopping PostgreSQL: %v", err)
		}
	})
	return s
}

func unless(t testing.TB, err error) {
	t.Helper()
	switch {
	case errors.Is(err, ErrMissing) && os.Getenv(Needed) == "":
		t.Skipf("SKIPPED: %v", err)
	case err != nil:
		t.Fatal(err)
	}
}
