package main

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"gatewright/sync/change"
	"gatewright/sync/graph"
	"gatewright/sync/wire"
)

// repoClient speaks the automerge-repo protocol over one socket, for one writer. It answers every message at
// once: it has none of the stock client's throttle.
type repoClient struct {
	ear
	sender, server string
	actor          change.Actor

	docs map[string]*repoDoc // guarded by mu
}

// repoDoc is the client's copy of one document: which changes there are, not what they say.
type repoDoc struct {
	id       string
	g        *graph.Graph
	peer     graph.Peer
	waiting  []outgoing    // own entries that no heads of the server cover yet
	arrivals chan struct{} // gets a value, when there is room, after each message
	entries  int           // of this run, that came from others
}

type outgoing struct {
	hash change.Hash
	n    int
}

// dialRepo connects and joins under a peer id. own says that the client understands Gatewright's own frames, as its
// phones do.
func dialRepo(ctx context.Context, t *traffic, address, sender string, own bool, led *ledger, tl *tally) (*repoClient, error) {
	s, err := dial(ctx, t, address)
	if err != nil {
		return nil, err
	}
	var random [16]byte
	_, _ = rand.Read(random[:]) // never fails
	c := &repoClient{ear: newEar(s, led, tl), sender: sender, actor: change.Actor(random[:]), docs: map[string]*repoDoc{}}
	if err := c.say(wire.Join{SenderID: c.sender, Metadata: wire.Metadata{StorageID: c.sender}, Gatewright: own}); err != nil {
		s.close()
		return nil, err
	}
	for c.server == "" {
		frame, err := s.read()
		if err != nil {
			s.close()
			return nil, fmt.Errorf("waiting for the server's answer to a join: %w", err)
		}
		m, err := wire.Decode(frame)
		if err != nil {
			s.close()
			return nil, err
		}
		switch m := m.(type) {
		case wire.Peer:
			c.server = m.SenderID
		case wire.Refusal:
			s.close()
			return nil, fmt.Errorf("the server refuses the join: %s", m.Message)
		}
	}
	go c.listen(c.take)
	return c, nil
}

func (c *repoClient) say(m wire.Message) error {
	b, err := wire.Encode(m)
	if err != nil {
		return err
	}
	return c.socket.write(b)
}

// open asks for a document. held, when it is not nil, is what the client has of it already.
func (c *repoClient) open(id string, held *graph.Graph) (*repoDoc, error) {
	if held == nil {
		held = graph.New()
	}
	d := &repoDoc{id: id, g: held, arrivals: make(chan struct{}, 1)}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.docs[id] = d
	return d, c.tell(d)
}

// tell sends what there is to say of a document. c.mu is held.
func (c *repoClient) tell(d *repoDoc) error {
	m, ok := d.g.Generate(&d.peer)
	if !ok {
		return nil
	}
	return c.say(wire.Sync{Request: d.g.Len() == 0, SenderID: c.sender, TargetID: c.server, DocumentID: d.id, Data: m.Encode()})
}

// put adds an entry to the client's own copy, without saying so.
func (c *repoClient) put(d *repoDoc, e entry) error {
	heads := d.g.Heads()
	ch, err := change.NewLogChange(c.actor, d.g.LastSeq(c.actor)+1, d.g.MaxOp(heads)+1, heads, time.Now().Unix(), e.id, e.raw)
	if err != nil {
		return err
	}
	node := nodeOf(ch)
	if err := d.g.Add(node); err != nil {
		return err
	}
	c.led.put(known{node, e.n})
	d.waiting = append(d.waiting, outgoing{ch.Hash, e.n})
	return nil
}

// write puts entries into the document and sends them in one message.
func (c *repoClient) write(d *repoDoc, entries ...entry) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.fail != nil {
		return c.fail
	}
	for _, e := range entries {
		if err := c.put(d, e); err != nil {
			return err
		}
	}
	for _, e := range entries {
		c.led.send(e.n)
	}
	return c.tell(d)
}

func nodeOf(c *change.Change) graph.Node {
	return graph.Node{Hash: c.Hash, Deps: c.Deps, Actor: c.Actor, Seq: c.Seq, MaxOp: c.MaxOp(), Bytes: c.Bytes}
}

// take takes one frame in; at is when it was read.
func (c *repoClient) take(frame []byte, at int64) error {
	m, err := wire.Decode(frame)
	if err != nil {
		return fmt.Errorf("reading a frame of the server: %w", err)
	}
	switch m := m.(type) {
	case wire.Refusal:
		return errors.New("the server says: " + m.Message)
	case wire.Refused:
		return fmt.Errorf("the server did not take a change: %s", m.Refused[0].Reason)
	case wire.Sync:
		return c.sync(m, at)
	}
	return nil
}

func (c *repoClient) sync(m wire.Sync, at int64) error {
	payload, err := wire.DecodeSync(m.Data)
	if err != nil {
		return fmt.Errorf("reading a message of the server: %w", err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	d := c.docs[m.DocumentID]
	if d == nil {
		return nil // a document that this client did not ask for
	}
	for _, chunk := range payload.Changes {
		k, err := c.read(chunk)
		if err != nil {
			return err
		}
		if err := c.add(d, k, at); err != nil {
			return err
		}
	}
	d.g.Receive(&d.peer, payload)
	c.settle(d, at)
	if err := c.tell(d); err != nil {
		return err
	}
	select {
	case d.arrivals <- struct{}{}:
	default:
	}
	return nil
}

// read names the change of a chunk, which some client of this process has most likely read before.
func (c *repoClient) read(chunk []byte) (known, error) {
	const plain = 1 // the chunk type of a change that is not deflated; its hash is over type, length and body
	if len(chunk) > 9 && chunk[8] == plain {
		if k, ok := c.led.get(sha256.Sum256(chunk[8:])); ok {
			return k, nil
		}
	}
	ch, err := change.Decode(chunk, change.DefaultLimits)
	if err != nil {
		return known{}, fmt.Errorf("reading a change of the server: %w", err)
	}
	if k, ok := c.led.get(ch.Hash); ok {
		return k, nil
	}
	k := known{nodeOf(ch), -1}
	k.node.Bytes = append([]byte(nil), ch.Bytes...)
	if len(ch.Ops) == 1 { // an entry that a client outside this process has written
		if n, ok := c.led.byID[ch.Ops[0].Key]; ok {
			k.n = n
		}
	}
	c.led.put(k)
	return k, nil
}

// add takes a change into the copy, and all that waited for it.
func (c *repoClient) add(d *repoDoc, k known, at int64) error {
	if d.g.Has(k.node.Hash) {
		return nil
	}
	if len(d.g.Missing(k.node.Deps)) > 0 {
		if !d.peer.Hold(k.node) {
			return errors.New("too much waits for what is before it")
		}
		return nil
	}
	if err := d.g.Add(k.node); err != nil {
		return err
	}
	if k.n >= 0 {
		d.entries++
		c.tally.delivered(c.led, k.n, at)
	}
	for _, n := range d.g.Ready(&d.peer) {
		next, ok := c.led.get(n.Hash)
		if !ok {
			next = known{n, -1}
		}
		if err := c.add(d, next, at); err != nil {
			return err
		}
	}
	return nil
}

// settle lets go of the own entries that the server's heads cover.
func (c *repoClient) settle(d *repoDoc, at int64) {
	if len(d.waiting) == 0 {
		return
	}
	theirs := d.peer.TheirHeads()
	left := d.waiting[:0]
	for _, w := range d.waiting {
		if d.g.Reaches(theirs, w.hash) {
			c.tally.acked(c.led, w.n, at)
		} else {
			left = append(left, w)
		}
	}
	d.waiting = left
}

// until waits for a state of the document. is is called with the client's lock held.
func (c *repoClient) until(ctx context.Context, d *repoDoc, is func() bool) error {
	return c.wait(ctx, d.arrivals, is)
}

// level says that the server has said what it has, and that the client has it all. c.mu is held.
func (d *repoDoc) level() bool { return d.peer.Heard() && len(d.g.Missing(d.peer.TheirHeads())) == 0 }
