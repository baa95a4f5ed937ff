// Package zones is a time zone database of our own. The server writes the table of a site's zone into the site's
// plan, so that every phone and the server go by the same transitions, whatever their systems know; calculations
// about zones say which version they used. The data is that of the IANA Time Zone Database, compiled from Debian's
// tzdata package by update.sh.
package zones

import (
	"archive/zip"
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
)

//go:embed zoneinfo.zip
var archive []byte

//go:embed VERSION
var version string

// Version is the release of the database, such as 2026c.
func Version() string { return strings.TrimSpace(version) }

// ErrUnknown says that the database has no zone of the name.
var ErrUnknown = errors.New("zone must be a name of the time zone database, such as Europe/Dublin")

// Table gives the TZif bytes (RFC 9636) of a zone by its IANA name.
func Table(zone string) ([]byte, error) {
	if zone == "" || strings.HasPrefix(zone, "/") || strings.Contains(zone, "..") {
		return nil, ErrUnknown
	}
	r, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		return nil, fmt.Errorf("opening the zone archive: %w", err)
	}
	f, err := r.Open(zone)
	if err != nil {
		return nil, ErrUnknown
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || info.IsDir() {
		return nil, ErrUnknown // Europe alone
	}
	table, err := io.ReadAll(f)
	if err != nil {
		return nil, fmt.Errorf("reading zone %s: %w", zone, err)
	}
	if _, err := time.LoadLocationFromTZData(zone, table); err != nil {
		return nil, ErrUnknown // one of the archive's other files
	}
	return table, nil
}
