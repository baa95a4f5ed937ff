package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
)

// The y-protocols messages (y-protocols/PROTOCOL.md): a type, then, for sync, what step it is and a byte string
// behind its length. Numbers are unsigned LEB128.
const (
	yMessageSync = 0
	yMessageAuth = 2 // Hocuspocus

	yStepState   = 0 // what the sender has, as a state vector
	yStepMissing = 1 // what the receiver of a state vector lacks
	yStepUpdate  = 2

	yAuthToken         = 0
	yAuthDenied        = 1
	yAuthAuthenticated = 2
)

// yNothing is both the state vector and, twice, the update of an empty document.
const yNothing = 0

// yClient is a client with one Yjs document open. It holds no document: it looks for entries' ids in what comes.
type yClient struct {
	ear
	prefix []byte // Hocuspocus: the document's name before every message
	update func(n int) []byte
	own    map[int]bool

	// Guarded by mu.
	seen     map[int]bool
	answered bool // the server has sent what this client lacked at first
	moved    chan struct{}
}

func yString(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// ySync frames one sync message. The numbers above are below 128: a byte each.
func ySync(prefix []byte, step byte, payload []byte) []byte {
	b := make([]byte, 0, len(prefix)+len(payload)+5)
	b = append(append(b, prefix...), yMessageSync, step)
	return append(binary.AppendUvarint(b, uint64(len(payload))), payload...)
}

// dialY connects, and waits until the server has sent what it has; exists says that there is something.
func dialY(ctx context.Context, t *traffic, address, room string, prefixed, exists bool, led *ledger, tl *tally, update func(int) []byte) (*yClient, error) {
	s, err := dial(ctx, t, address)
	if err != nil {
		return nil, err
	}
	c := &yClient{ear: newEar(s, led, tl), update: update, own: map[int]bool{}, seen: map[int]bool{}, moved: make(chan struct{}, 1)}
	if prefixed {
		c.prefix = yString(nil, room)
		hello := append(bytes.Clone(c.prefix), yMessageAuth, yAuthToken)
		if err := s.write(yString(yString(hello, "load"), "4.7.0")); err != nil {
			s.close()
			return nil, err
		}
	}
	go c.listen(c.take)
	if err := s.write(ySync(c.prefix, yStepState, []byte{yNothing})); err != nil {
		s.close()
		return nil, err
	}
	if err := c.until(ctx, func() bool { return c.answered && (!exists || len(c.seen) > 0) }); err != nil {
		s.close()
		return nil, err
	}
	return c, nil
}

var errYFrame = errors.New("a message of the server cannot be read")

func (c *yClient) take(frame []byte, at int64) error {
	if !bytes.HasPrefix(frame, c.prefix) {
		return errYFrame
	}
	frame = frame[len(c.prefix):]
	if len(frame) < 2 {
		return nil // nothing that carries entries
	}
	switch {
	case frame[0] == yMessageAuth && frame[1] == yAuthDenied:
		return errors.New("the server denies access")
	case frame[0] != yMessageSync && frame[0] != 4: // 4: Hocuspocus, a sync message that wants no answer
		return nil
	}
	size, n := binary.Uvarint(frame[2:])
	if n <= 0 || uint64(len(frame)-2-n) < size {
		return errYFrame
	}
	payload := frame[2+n : 2+n+int(size)]
	if frame[1] == yStepState {
		return c.socket.write(ySync(c.prefix, yStepMissing, []byte{yNothing, yNothing}))
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if frame[1] == yStepMissing {
		c.answered = true
	}
	c.scan(payload, at)
	select {
	case c.moved <- struct{}{}:
	default:
	}
	return nil
}

// scan finds the entries in an update by their ids: an entry's JSON stands in it as it is.
func (c *yClient) scan(update []byte, at int64) {
	const mark, size = `"id":"`, 26
	for {
		i := bytes.Index(update, []byte(mark))
		if i < 0 || len(update) < i+len(mark)+size {
			return
		}
		update = update[i+len(mark):]
		n, ok := c.led.byID[string(update[:size])]
		if !ok || c.own[n] || c.seen[n] {
			continue
		}
		c.seen[n] = true
		c.tally.delivered(c.led, n, at)
	}
}

func (c *yClient) until(ctx context.Context, is func() bool) error {
	return c.wait(ctx, c.moved, is)
}

// write sends each entry in an update of its own, as Yjs does.
func (c *yClient) write(entries ...entry) error {
	for _, e := range entries {
		c.mu.Lock()
		c.own[e.n] = true
		err := c.fail
		c.mu.Unlock()
		if err != nil {
			return err
		}
		frame := ySync(c.prefix, yStepUpdate, c.update(e.n))
		c.led.send(e.n)
		if err := c.socket.write(frame); err != nil {
			return err
		}
	}
	return nil
}

func (c *yClient) came() (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.seen), c.fail
}
