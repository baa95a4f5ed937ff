package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"
)

// syncProbe appends 4 KiB to a file and waits until it is on the disk, twenty times a second: what the disk takes
// for this under the same load bounds what a durable acknowledgement can take.
type syncProbe struct {
	file  *os.File
	quit  chan struct{}
	done  chan struct{}
	times []time.Duration
	err   error
}

const probeEvery = 50 * time.Millisecond

func startProbe(folder string) (*syncProbe, error) {
	f, err := os.Create(filepath.Join(folder, "probe"))
	if err != nil {
		return nil, err
	}
	p := &syncProbe{file: f, quit: make(chan struct{}), done: make(chan struct{})}
	go p.run()
	return p, nil
}

func (p *syncProbe) run() {
	defer close(p.done)
	t := time.NewTicker(probeEvery)
	defer t.Stop()
	page := make([]byte, 4<<10)
	for {
		select {
		case <-p.quit:
			return
		case <-t.C:
		}
		if _, p.err = p.file.Write(page); p.err != nil {
			return
		}
		begun := time.Now()
		if p.err = dataSync(p.file); p.err != nil {
			return
		}
		p.times = append(p.times, time.Since(begun))
	}
}

// stop ends the probe and puts its figures into the row. A probe that was not started has none.
func (p *syncProbe) stop(r *row) {
	if p == nil {
		return
	}
	close(p.quit)
	<-p.done
	err := errors.Join(p.err, p.file.Close())
	if err != nil || len(p.times) == 0 {
		r.Note += fmt.Sprintf("; the probe of the disk failed: %v", err)
		return
	}
	slices.Sort(p.times)
	r.SyncP50, r.SyncP99 = figure(percentile(p.times, 50)), figure(percentile(p.times, 99))
}
