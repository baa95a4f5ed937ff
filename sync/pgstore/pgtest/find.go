package pgtest

import (
	"cmp"
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
)

// ErrMissing is what a machine without PostgreSQL gives.
var ErrMissing = errors.New("PostgreSQL is not installed: neither on the path nor in /usr/lib/postgresql are initdb and postgres (Debian: apt-get install postgresql)")

// places are where systems keep the server's programs off the path.
var places = []string{"/usr/lib/postgresql/*/bin", "/usr/pgsql-*/bin", "/opt/homebrew/opt/postgresql@*/bin", "/usr/local/opt/postgresql@*/bin"}

// find gives the folder of initdb and postgres: from the path, or else the
// newest version there is.
func find() (string, error) {
	if path, err := exec.LookPath("initdb"); err == nil {
		if path, err = filepath.EvalSymlinks(path); err == nil && whole(filepath.Dir(path)) {
			return filepath.Dir(path), nil
		}
	}
	for _, place := range places {
		dirs, err := filepath.Glob(place)
		if err != nil {
			return "", fmt.Errorf("looking for PostgreSQL: %w", err)
		}
		slices.SortFunc(dirs, func(a, b string) int { return cmp.Compare(version(b), version(a)) })
		for _, dir := range dirs {
			if whole(dir) {
				return dir, nil
			}
		}
	}
	return "", ErrMissing
}

func whole(dir string) bool {
	for _, name := range []string{"initdb", "postgres"} {
		if _, err := exec.LookPath(filepath.Join(dir, name)); err != nil {
			return false
		}
	}
	return true
}

// version is the number in the folder above bin.
func version(dir string) int {
	name := filepath.Base(filepath.Dir(dir))
	for len(name) > 0 && (name[0] < '0' || name[0] > '9') {
		name = name[1:]
	}
	n, _ := strconv.Atoi(name)
	return n
}
