package hub

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// block is a change that is not in the document: refused, or held, or one that
// descends from such a change.
type block struct {
	code, reason string
	held         bool
	entries      []string
	deps         []change.Hash

	// Of a held change: what it takes to judge it again.
	reading *admit.Reading
	via     string // the device that brought it
	device  string // the author's
}

// restoreHeld takes a held change back from the store.
func (s *Site) restoreHeld(d *document, h HeldChange) {
	if d.g.Has(h.Hash) {
		return
	}
	c, err := change.Decode(h.Bytes, admit.Limits(d.name))
	if err != nil {
		s.emit(Trouble{Doc: d.name, Err: fmt.Errorf("held change %s: %w", h.Hash, err)})
		return
	}
	r, v := admit.Read(d.name, c)
	if v != nil {
		s.emit(Trouble{Doc: d.name, Err: fmt.Errorf("held change %s: %s", h.Hash, v.Reason)})
		return
	}
	d.heldSize += len(h.Bytes)
	d.blocked[h.Hash] = &block{
		code: h.Code, reason: "the change waits to be confirmed", held: true, entries: entryIDs(r), deps: c.Deps,
		reading: r, via: h.Via, device: h.AuthorDevice,
	}
}

func entryIDs(r *admit.Reading) []string {
	var out []string
	for _, e := range r.Entries {
		out = append(out, string(e.ID))
	}
	return out
}

// anew reports that the change is one of the server's own, from before it was
// restored, that holds entries of the device. The device need not wait for
// anybody to confirm them: it can record them anew.
func (b *block) anew(device string) bool {
	return b.held && b.code == admit.CodeDev && b.device == admit.ServerDevice && b.reading != nil &&
		slices.ContainsFunc(b.reading.Entries, func(e *logbook.Entry) bool { return e.Dev == device })
}

func (d *document) anyHeld() bool {
	for _, b := range d.blocked {
		if b.held {
			return true
		}
	}
	return false
}

// effective puts in the place of every blocked head what is taken of its
// history, so that the peer is dealt with as one that never made the blocked
// changes: it gets what it lacks, and is not asked for what is not wanted.
func (d *document) effective(heads []change.Hash) []change.Hash {
	_, beneath := d.throughBlocked(heads)
	return beneath
}

// causes gives the blocked changes among the given ones and their ancestors.
func (d *document) causes(of []change.Hash) []change.Hash {
	blocked, _ := d.throughBlocked(of)
	slices.SortFunc(blocked, change.Hash.Compare)
	return blocked
}

// throughBlocked walks from changes to their ancestors as long as it meets
// blocked ones, each once: those, and where it came out beneath them.
func (d *document) throughBlocked(from []change.Hash) (blocked, beneath []change.Hash) {
	seen := map[change.Hash]bool{}
	open := slices.Clone(from)
	for len(open) > 0 {
		h := open[len(open)-1]
		open = open[:len(open)-1]
		if seen[h] {
			continue
		}
		seen[h] = true
		if b := d.blocked[h]; b != nil {
			blocked = append(blocked, h)
			open = append(open, b.deps...)
		} else {
			beneath = append(beneath, h)
		}
	}
	return blocked, beneath
}

// tell informs a peer once about each change that was not taken, and once more
// when one that was held has been refused.
func (s *Site) tell(d *document, c *conn, p *peer, hashes []change.Hash) {
	var fresh []change.Hash
	for _, h := range d.causes(hashes) {
		if final, told := p.told[h]; !told || !final && !d.blocked[h].held {
			if p.told == nil {
				p.told = map[change.Hash]bool{}
			}
			p.told[h] = !d.blocked[h].held
			fresh = append(fresh, h)
		}
	}
	if len(fresh) == 0 {
		return
	}
	if c.own {
		for part := range slices.Chunk(fresh, maxRows) {
			m := wire.Refused{SenderID: s.cfg.PeerID, TargetID: c.sender, DocumentID: d.id}
			for _, h := range part {
				b := d.blocked[h]
				code, reason := b.code, b.reason
				if b.anew(c.identity.Device) {
					code, reason = admit.CodeDepends, "the server had written it and has lost that"
				}
				m.Refused = append(m.Refused, wire.RefusedChange{Hash: h, Code: code, Reason: clip(reason),
					Entries: b.entries[:min(len(b.entries), maxRows)], Held: b.held})
			}
			s.send(c, m)
		}
		return
	}
	type kind struct {
		code string
		held bool
	}
	var order []kind
	by := map[kind][]change.Hash{}
	for _, h := range fresh {
		k := kind{d.blocked[h].code, d.blocked[h].held}
		if by[k] == nil {
			order = append(order, k)
		}
		by[k] = append(by[k], h)
	}
	for _, k := range order {
		for part := range slices.Chunk(by[k], maxRows) {
			s.ephemerals++
			s.send(c, wire.Ephemeral{SenderID: s.cfg.PeerID, TargetID: c.sender, DocumentID: d.id,
				SessionID: s.cfg.PeerID, Count: s.ephemerals,
				Data: wire.Rejected{Hashes: part, Code: k.code, Held: k.held}.Data()})
		}
	}
}

func clip(s string) string {
	if len(s) <= maxReason {
		return s
	}
	cut := maxReason
	for cut > 0 && s[cut]&0xc0 == 0x80 {
		cut--
	}
	return s[:cut]
}

// quarantineID is the same whenever the same change is refused, so that a
// phone that brings it again leaves one row.
func quarantineID(site, doc string, h change.Hash) string {
	sum := sha256.Sum256([]byte(site + "\n" + doc + "\n" + string(h[:])))
	return "q" + hex.EncodeToString(sum[:12])
}

// rawEntries gives what could be entries in a change, as it came.
func rawEntries(c *change.Change) []string {
	var out []string
	size := 0
	for i := range c.Ops {
		op := &c.Ops[i]
		if op.Action != change.Set || op.Value.Kind != change.KindString {
			continue
		}
		if size += len(op.Value.Str); size > maxQuarantine {
			break
		}
		out = append(out, op.Value.Str)
	}
	return out
}
