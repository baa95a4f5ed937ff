package simulate

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/storetest"
)

// node is one server process: the real hub of the site, whose effects are
// carried out later.
type node struct {
	w     *world
	index int
	site  *hub.Site
	life  int // counts its starts; what was asked for in an earlier one is not answered
	down  bool

	links   map[hub.ConnID]*link
	pending []*op // asked of the store and not done yet
	tokens  hub.Token
	asked   map[hub.Token]func(error) // what the edge has the hub write
}

// op is one thing asked of the store.
type op struct {
	do   func() hub.Event
	done bool
}

func (w *world) startNode(n *node) {
	n.life++
	n.down = false
	actor := make([]byte, 16)
	for i := range actor {
		actor[i] = byte(w.rng.Uint32())
	}
	cfg := hub.SiteConfig{
		Site: siteID, PeerID: fmt.Sprintf("server-%d", n.index), StorageID: "store", Actor: change.Actor(actor),
		RestoreUntil: w.restoreUntil, Reconcile: w.p.reconcile,
	}
	if w.cfg.tamper.site != nil {
		w.cfg.tamper.site(&cfg)
	}
	site, err := hub.NewSite(cfg)
	if err != nil {
		w.fail(5, "starting a node: %v", err)
	}
	n.site, n.links, n.pending, n.asked = site, map[hub.ConnID]*link{}, nil, map[hub.Token]func(error){}
	w.ticking(n, n.life)
}

func (w *world) ticking(n *node, life int) {
	w.later(w.p.tickEvery, "tick", n.index, func() {
		if n.life == life && !n.down {
			n.step(hub.Tick{})
			w.ticking(n, life)
		}
	})
}

// step gives the hub an event and puts in line what it asks for.
func (n *node) step(ev hub.Event) {
	w := n.w
	if w.cfg.tamper.event != nil {
		ev = w.cfg.tamper.event(ev)
	}
	for _, effect := range n.site.Step(ev, w.now) {
		n.perform(effect)
	}
}

func (n *node) perform(e hub.Effect) {
	w, ctx := n.w, context.Background()
	switch e := e.(type) {
	case hub.Send:
		w.note(">", int64(e.Conn), e.Bytes)
		w.frames++
		if l := n.links[e.Conn]; l != nil {
			l.sendDown(e.Bytes)
		}
	case hub.Close:
		w.note("close", int64(e.Conn)*10_000+int64(e.Code), nil)
		w.count[fmt.Sprintf("closed_%d", e.Code)]++
		if l := n.links[e.Conn]; l != nil {
			delete(n.links, e.Conn)
			l.closeDown(e)
		}
	case hub.List:
		n.ask("list", func() hub.Event {
			return e.In(ctx, w.store, siteID)
		})
	case hub.Access:
		n.ask("access", func() hub.Event {
			return e.In(ctx, w.store, siteID, func(context.Context, string) (int64, error) { return w.restoreUntil, nil })
		})
	case hub.Load:
		n.ask("load", func() hub.Event {
			changes, held, err := w.store.Load(ctx, siteID, e.Doc)
			return hub.Loaded{Doc: e.Doc, Changes: changes, Held: held, Err: err}
		})
	case hub.Look:
		n.ask("look", func() hub.Event { return w.look(e) })
	case hub.Append:
		n.ask("append", func() hub.Event {
			err := w.store.Append(ctx, e.Batch)
			w.appended(e.Batch)
			if err == nil {
				n.hint(e.Batch.Doc)
			}
			return hub.Appended{Token: e.Token, Err: err}
		})
		if w.cfg.tamper.early {
			w.later(0, "early", n.index, func() { n.step(hub.Appended{Token: e.Token}) })
		}
	case hub.Keep:
		n.ask("keep", func() hub.Event {
			err := e.In(ctx, w.store, siteID)
			if err == nil {
				for _, h := range e.Held {
					w.kept[h.Hash] = h.Doc
				}
			}
			for _, h := range e.Unheld {
				delete(w.kept, h)
			}
			if len(e.Held) > 0 {
				w.count["held"] += len(e.Held)
			}
			if len(e.Quarantined) > 0 {
				w.count["refused"] += len(e.Quarantined)
			}
			return hub.Kept{Token: e.Token, Err: err}
		})
	case hub.Done:
		if then := n.asked[e.Token]; then != nil {
			delete(n.asked, e.Token)
			then(e.Err)
		}
	case hub.Trouble:
		w.checkBytes()
		if _, is := errors.AsType[*hub.StoreError](e.Err); is && w.p.nodes > 1 {
			// Both nodes wrote the same, one was quicker each time, and the other
			// begins anew.
			w.count["nodes_in_conflict"]++
			return
		}
		if !errors.Is(e.Err, storetest.ErrFault) && !errors.Is(e.Err, errFull) {
			w.fail(9, "a node reports trouble with %s that no fault explains: %v", e.Doc, e.Err)
		}
	}
}

func (w *world) look(e hub.Look) hub.Event {
	ctx := context.Background()
	answer := hub.Looked{Token: e.Token, Authors: map[string]admit.Author{}}
	if len(e.Actors) > 0 {
		answer.Actors, answer.Err = w.store.ActorDevices(ctx, siteID, e.Actors)
	}
	for _, device := range e.Devices {
		if answer.Err != nil {
			break
		}
		var a admit.Author
		var ok bool
		if a, ok, answer.Err = w.store.AuthorOf(ctx, siteID, device); ok {
			answer.Authors[device] = a
		}
	}
	return answer
}

var errFull = errors.New("the server's disk is full")

var methods = map[string]string{"list": "Documents", "load": "Load", "append": "Append"}

// ask puts a call of the store in line: it takes effect at one instant, and
// is answered at a later one.
func (n *node) ask(what string, do func() hub.Event) {
	w, life := n.w, n.life
	o := &op{do: do}
	n.pending = append(n.pending, o)
	w.after(w.between(0, w.p.storeLatency), what, n.index, func() {
		if n.life != life || o.done {
			return
		}
		o.done = true
		n.pending = slices.DeleteFunc(n.pending, func(x *op) bool { return x == o })
		switch {
		case w.calm:
		case w.full && (what == "append" || what == "keep"):
			w.count["server_full_hit"]++
			w.store.Fail(storetest.Fault{Err: errFull})
		case w.chance(w.p.storeError):
			after := w.rng.IntN(2) == 0
			if after {
				w.count["store_error_after"]++
			} else {
				w.count["store_error_before"]++
			}
			w.store.Fail(storetest.Fault{Method: methods[what], After: after})
		}
		ev := o.do()
		w.after(w.between(0, w.p.storeLatency), what+"ed", n.index, func() {
			if n.life == life {
				n.step(ev)
			}
		})
	})
}

// crash takes a node's memory. What it had asked of the store happens, or does
// not; nobody hears of it.
func (n *node) crash() {
	w := n.w
	pending := n.pending
	n.life++
	n.down, n.site, n.pending = true, nil, nil
	for _, o := range pending {
		if !o.done && w.rng.IntN(2) == 0 {
			o.done = true
			_ = o.do()
			w.count["applied_unheard"]++
		}
	}
	for _, id := range sortedConns(n.links) {
		n.links[id].lost()
	}
	n.links = map[hub.ConnID]*link{}
}

// hint tells the other nodes that a document was written to.
func (n *node) hint(doc string) {
	w := n.w
	if len(w.nodes) < 2 {
		return
	}
	list, _ := w.mem.Documents(context.Background(), siteID)
	i := slices.IndexFunc(list, func(d hub.Document) bool { return d.Name == doc })
	if i < 0 {
		return
	}
	times := 1
	switch {
	case w.calm:
	case w.chance(w.p.hintLoss):
		w.count["hint_lost"]++
		w.unhinted++
		return
	case w.chance(w.p.hintDuplicate):
		w.count["hint_duplicated"]++
		times = 2
	}
	for _, other := range w.nodes {
		if other == n {
			continue
		}
		for range times {
			life := other.life
			w.after(w.between(0, w.p.hintDelay), "hint", other.index, func() {
				if other.life == life && !other.down {
					other.step(hub.Hint{Doc: doc, Heads: list[i].Heads})
				}
			})
		}
	}
}

// write has the node write something of the server's own.
func (n *node) write(make func(hub.Token) hub.Event, then func(error)) {
	n.tokens++
	n.asked[n.tokens] = then
	n.step(make(n.tokens))
}

func sortedConns(m map[hub.ConnID]*link) []hub.ConnID {
	out := make([]hub.ConnID, 0, len(m))
	for id := range m {
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}
