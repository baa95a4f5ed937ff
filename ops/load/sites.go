package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"
)

func sitesOf(quick bool) int {
	if quick {
		return 1000
	}
	return 10_000
}

func describeSites(quick bool) string {
	return fmt.Sprintf("%d sites on one server, each with its plan and a month of 5 entries: from start to ready, and the resident set then", sitesOf(quick))
}

// sitesCase is of our server alone: the others keep no sites, and read a document when it is asked for.
func sitesCase(ctx context.Context, b *run, add func(row)) error {
	for _, name := range b.servers {
		if name != serverNames[0] {
			add(row{Server: name, Note: "not measured: it reads nothing at its start, and a document when that is asked for"})
			continue
		}
		r, err := b.sites(ctx, sitesOf(b.quick))
		if err != nil {
			return err
		}
		add(r)
	}
	return nil
}

func (b *run) sites(ctx context.Context, n int) (row, error) {
	r := row{Server: serverNames[0]}
	folder, done, err := b.fresh("sites")
	if err != nil {
		return r, err
	}
	defer done()
	o := newOurs(b.binary)
	o.data = filepath.Join(folder, "data")
	say("sites: making %d", n)
	st, err := openStore(ctx, o.data)
	if err != nil {
		return r, err
	}
	if o.yards, err = st.settle(ctx, n, 1); err == nil {
		err = st.fillMonths(ctx, o.yards, 5)
	}
	if err := errors.Join(err, st.close(ctx)); err != nil {
		return r, err
	}
	var rows []row
	for range 3 {
		if err := o.serve(ctx); err != nil {
			return r, err
		}
		one := r
		one.Start = milliseconds(o.p.took)
		err := rest(ctx, time.Second) // whatever begins with the start goes into the figure
		if err == nil {
			var now, peak int64
			now, peak, err = o.p.memory()
			one.RSS, one.Peak = megabytes(now), megabytes(peak)
		}
		o.stop()
		if err != nil {
			return r, err
		}
		rows = append(rows, one)
	}
	r = median(rows)
	r.Note = fmt.Sprintf("%d sites", n)
	return r, nil
}
