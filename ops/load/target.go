package main

import (
	"context"
	"time"
)

// shape is what a case needs of a server: documents, and phones that have each open.
type shape struct{ docs, perDoc int }

// phone is a client with one document open.
type phone interface {
	write(entries ...entry) error
	// came gives the number of this run's entries that came from others, and why the client ended, if it has.
	came() (int, error)
	close()
}

// target is a server that can be measured.
type target interface {
	name() string
	// keeps says in words what the server keeps on disk and when.
	keeps() string
	// start starts it on an empty folder.
	start(ctx context.Context, folder string, s shape) error
	// author is who the entries of a phone name.
	author(doc, phone int) author
	// prepare makes what is to be sent of the entries, so that sending costs little.
	prepare(ctx context.Context, entries []entry) error
	// open connects a phone; the first of a document finds it empty.
	open(ctx context.Context, t *traffic, led *ledger, tl *tally, doc, ph int) (phone, error)
	// proc is the process that is measured.
	proc() *process
	// settles is how long after the last delivery it may still be writing to disk.
	settles() time.Duration
	// acknowledges reports that an acknowledgement means: durable.
	acknowledges() bool
	stop()
}
