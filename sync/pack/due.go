package pack

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Rest is how long after its end a month is left as it is: phones that were
// away bring their late entries, and each would have it packed anew.
const Rest = 14 * 24 * time.Hour

// Document is one document of a site.
type Document struct{ Site, Name string }

// Store is a store that packs. Two nodes that pack the same do no harm.
type Store interface {
	// Unpacked lists the documents of all sites that are not packed, or got
	// changes since they were.
	Unpacked(ctx context.Context) ([]Document, error)
	// Pack packs a document at an instant (ms) and reports whether there was
	// something to pack.
	Pack(ctx context.Context, site, doc string, now int64) (bool, error)
}

// Due reports whether a document is a month of the log that has rested at an
// instant. Months are those of UTC, as in the ids of entries.
func Due(doc string, now time.Time) bool {
	name, isLog := strings.CutPrefix(doc, "log/")
	month, err := time.Parse("2006-01", name)
	return isLog && err == nil && !now.Before(month.AddDate(0, 1, 0).Add(Rest))
}

// Pass packs what is due, up to a number of documents, and gives how many it
// packed. One that cannot be packed is passed over; the error names each.
func Pass(ctx context.Context, s Store, now time.Time, most int) (packed int, err error) {
	list, err := s.Unpacked(ctx)
	if err != nil {
		return 0, err
	}
	var errs []error
	for _, d := range list {
		if packed == most || ctx.Err() != nil {
			break
		}
		if !Due(d.Name, now) {
			continue
		}
		did, err := s.Pack(ctx, d.Site, d.Name, now.UnixMilli())
		if err != nil {
			errs = append(errs, fmt.Errorf("site %s: %w", d.Site, err))
		}
		if did {
			packed++
		}
	}
	return packed, errors.Join(errs...)
}
