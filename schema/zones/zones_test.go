package zones

import (
	"regexp"
	"testing"
	"time"
)

// Offsets of 2026-12-15 12:00 local after the changes announced in the IANA Time Zone Database's NEWS: 2026b
// (British Columbia stays on -07) and 2026c (Alberta stays on -06; Morocco on +00); and the plain cases of
// Europe/Dublin and Australia/Lord_Howe (half an hour of summer time).
func TestOffsets(t *testing.T) {
	for _, c := range []struct {
		zone string
		at   string
		min  int
	}{
		{"America/Vancouver", "2026-12-15T12:00:00Z", -420},
		{"America/Edmonton", "2026-12-15T12:00:00Z", -360},
		{"Africa/Casablanca", "2026-12-15T12:00:00Z", 0},
		{"Europe/Dublin", "2026-03-29T00:59:59Z", 0},
		{"Europe/Dublin", "2026-03-29T01:00:00Z", 60},
		{"Australia/Lord_Howe", "2026-04-04T14:59:59Z", 660},
		{"Australia/Lord_Howe", "2026-04-04T15:00:00Z", 630},
		{"Asia/Kolkata", "2026-07-01T00:00:00Z", 330},
	} {
		table, err := Table(c.zone)
		if err != nil {
			t.Errorf("%s: %v", c.zone, err)
			continue
		}
		loc, err := time.LoadLocationFromTZData(c.zone, table)
		if err != nil {
			t.Errorf("%s: %v", c.zone, err)
			continue
		}
		at, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		if _, offset := at.In(loc).Zone(); offset != c.min*60 {
			t.Errorf("%s at %s: %d min, want %d", c.zone, c.at, offset/60, c.min)
		}
		if len(table) > 4096 {
			t.Errorf("%s: table of %d bytes is large for a plan", c.zone, len(table))
		}
	}
}

func TestUnknownZones(t *testing.T) {
	for _, zone := range []string{"", "Europe", "Europe/Nowhere", "../VERSION", "/etc/passwd", "Local", "tzdata.zi"} {
		if _, err := Table(zone); err == nil {
			t.Errorf("%q: accepted", zone)
		}
	}
	if !regexp.MustCompile(`^20\d\d[a-z]$`).MatchString(Version()) {
		t.Errorf("version %q", Version())
	}
}
