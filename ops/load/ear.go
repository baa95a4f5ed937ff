package main

import (
	"context"
	"fmt"
	"sync"
)

// ear is what clients of every protocol have in common: a socket that is
// listened to until it ends, and somebody who waits for what it brings.
type ear struct {
	*socket
	led   *ledger
	tally *tally

	mu   sync.Mutex
	fail error // why listening ended
	gone chan struct{}
}

func newEar(s *socket, led *ledger, tl *tally) ear {
	return ear{socket: s, led: led, tally: tl, gone: make(chan struct{})}
}

// listen has each frame taken in, with the moment at which it was read.
func (e *ear) listen(take func(frame []byte, at int64) error) {
	defer close(e.gone)
	for {
		frame, err := e.read()
		if err == nil {
			err = take(frame, e.led.now())
		}
		if err != nil {
			e.mu.Lock()
			e.fail = err
			e.mu.Unlock()
			return
		}
	}
}

// wait waits for a state, and looks whenever something has moved. is is called
// with the lock held.
func (e *ear) wait(ctx context.Context, moved <-chan struct{}, is func() bool) error {
	for {
		e.mu.Lock()
		ok, err := is(), e.fail
		e.mu.Unlock()
		switch {
		case ok:
			return nil
		case err != nil:
			return err
		}
		select {
		case <-moved:
		case <-e.gone:
		case <-ctx.Done():
			return fmt.Errorf("waiting for the server: %w", ctx.Err())
		}
	}
}
