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
