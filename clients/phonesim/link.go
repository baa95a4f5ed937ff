package phonesim

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
	"gatewright/sync/wire"
)

// link is the connection to the server.
type link struct {
	server string // its peer id; "" before it has answered
	served map[string]bool
	listed bool
}

// Connect begins a connection. serverTime is what the server's clock showed
// when it gave the token, ms; the phone corrects its own by it from now on.
func (p *Phone) Connect(serverTime int64) error {
	if !p.On() {
		return ErrOff
	}
	if off := serverTime - p.cfg.Clock(); off != p.disk.off {
		switch err := p.step(StepOffset); {
		case err == nil:
			p.disk.off = off
		case !errors.Is(err, ErrFull): // a full phone must get rid of its outbox, right clock or not
			return err
		}
	}
	p.Disconnect()
	p.again()
	p.link = &link{served: map[string]bool{}}
	for _, d := range p.docs {
		d.peer.Reset()
		d.served, d.known = nil, false
	}
	return p.send(wire.Join{SenderID: p.peerID(), Metadata: wire.Metadata{StorageID: p.cfg.Device}, Gatewright: true})
}

// again has entries written once more that the server held for want of another
// one, which has come: a server that was restored may have lost what it held.
func (p *Phone) again() {
	for id, parcel := range p.disk.parcels {
		if parcel.State != Held {
			continue
		}
		e, err := logbook.ParseEntry([]byte(parcel.Raw))
		if err != nil {
			continue
		}
		if of := cmp.Or(e.Of, e.Replaces); of != "" {
			if _, here := p.Entry(of); here {
				parcel.State, parcel.Code, parcel.Reason = Waiting, "", ""
				p.disk.parcels[id] = parcel
			}
		}
	}
}

// Disconnect ends the connection; what was not taken is not sent.
func (p *Phone) Disconnect() { p.link, p.out = nil, nil }

// Connected reports that a connection was begun and is not ended. A phone
// ends it by itself when it has to start a document over, and wants a new one.
func (p *Phone) Connected() bool { return p.link != nil && p.On() }

// Outgoing takes the frames that wait to be sent.
func (p *Phone) Outgoing() [][]byte {
	if !p.On() {
		return nil
	}
	out := p.out
	p.out = nil
	return out
}

func (p *Phone) peerID() string { return "phone-" + p.cfg.Device }

func (p *Phone) send(m wire.Message) error {
	frame, err := wire.Encode(m)
	if err != nil {
		return fmt.Errorf("writing a frame: %w", err)
	}
	p.out = append(p.out, frame)
	return nil
}

// Receive takes one frame of the server. After an error the connection is of
// no use.
func (p *Phone) Receive(frame []byte) error {
	switch {
	case !p.On():
		return ErrOff
	case p.link == nil:
		return errors.New("a frame came without a connection")
	}
	m, err := wire.Decode(frame)
	if err != nil {
		return fmt.Errorf("reading a frame: %w", err)
	}
	switch m := m.(type) {
	case wire.Peer:
		p.link.server = m.SenderID
		return p.sayAll()
	case wire.Refusal:
		p.Disconnect()
		return fmt.Errorf("the server says: %s", m.Message)
	case wire.Documents:
		return p.list(m)
	case wire.Sync:
		return p.sync(m)
	case wire.Refused:
		return p.notTaken(m)
	}
	return nil // nothing that a phone goes by
}

// list takes the server's list of documents: all of them are opened.
func (p *Phone) list(m wire.Documents) error {
	var names []string
	for _, row := range m.Documents {
		d := newDocument(p.site, row.Name)
		if d.id != row.ID {
			continue // a name that does not give this id is another site's business
		}
		names = append(names, row.Name)
		p.link.served[row.Name] = true
		d = p.open(row.Name)
		d.served, d.known = row.Heads, true
	}
	p.link.listed = true
	if !slices.Equal(names, p.disk.listed) {
		switch err := p.step(StepListed); {
		case err == nil:
			p.disk.listed = names
		case !errors.Is(err, ErrFull):
			return err
		}
	}
	for _, d := range p.inOrder() {
		if err := p.settle(d); err != nil {
			return err
		}
	}
	return p.sayAll()
}

func (p *Phone) sayAll() error {
	for _, d := range p.inOrder() {
		if err := p.say(d); err != nil {
			return err
		}
	}
	return nil
}

// say sends what there is to say about a document.
func (p *Phone) say(d *document) error {
	if p.link == nil || p.link.server == "" {
		return nil
	}
	if d.g.Len() == 0 && !p.link.served[d.name] {
		return nil // neither side has it
	}
	m, ok := d.g.Generate(&d.peer)
	if !ok {
		return nil
	}
	return p.send(wire.Sync{
		Request:  d.g.Len() == 0,
		SenderID: p.peerID(), TargetID: p.link.server, DocumentID: d.id, Data: m.Encode(),
	})
}

func (p *Phone) sync(m wire.Sync) error {
	name, ok := p.names[m.DocumentID]
	if !ok {
		return nil
	}
	d := p.docs[name]
	payload, err := wire.DecodeSync(m.Data)
	if err != nil {
		return fmt.Errorf("reading what the server says of %s: %w", name, err)
	}
	for _, chunk := range payload.Changes {
		if err := p.take(d, chunk); err != nil {
			return err
		}
	}
	d.g.Receive(&d.peer, payload)
	d.served, d.known = payload.Heads, true
	if len(payload.Heads) > 0 {
		p.link.served[name] = true
	}
	if err := p.settle(d); err != nil {
		return err
	}
	return p.say(d)
}

// take takes in one chunk of the server, and all that waited for it.
func (p *Phone) take(d *document, chunk []byte) error {
	c, err := change.Decode(chunk, change.DefaultLimits)
	if err != nil {
		return fmt.Errorf("reading a change of %s: %w", d.name, err)
	}
	fresh, err := d.add(c)
	if errors.Is(err, errMissing) {
		if !d.peer.Hold(node(c)) {
			return fmt.Errorf("too much of %s waits for what is before it", d.name)
		}
		return nil
	}
	if err != nil {
		return err
	}
	if fresh {
		p.disk.writeLate(d.name, c.Bytes)
	}
	for _, n := range d.g.Ready(&d.peer) {
		if err := p.take(d, n.Bytes); err != nil {
			return err
		}
	}
	return nil
}

// settle brings outbox and document together: lets go of what the server has,
// and puts back what an earlier run recorded and this copy lacks.
func (p *Phone) settle(d *document) error {
	if d.name == logbook.PlanDocument {
		return p.settlePlan(d)
	}
	var safe []logbook.EntryID
	for _, parcel := range p.disk.Parcels() {
		// An entry that stands in the log in these very words has arrived, on
		// whatever way.
		if w, ok := d.entries[parcel.ID]; ok && w.raw == parcel.Raw && d.has(w) {
			safe = append(safe, parcel.ID)
		}
	}
	if len(safe) > 0 {
		if err := p.step(StepRelease); err != nil {
			return err
		}
		for _, id := range safe {
			delete(p.disk.parcels, id)
			p.disk.settled++
		}
	}
	return p.putBack(d)
}

// putBack: the stored copy may be older than the outbox, because it is written
// late, and the server may have what the copy lacks. So entries are put back
// only into a copy that is level with the server, or when the server has none:
// before that they could be written twice, and the second would be refused.
func (p *Phone) putBack(d *document) error {
	if p.link == nil || !p.link.listed || p.link.served[d.name] && !d.level() {
		return nil
	}
	for _, parcel := range p.disk.Parcels() {
		if parcel.Document == d.name && parcel.State == Waiting {
			if err := p.put(d, parcel); err != nil {
				return fmt.Errorf("putting %s back into %s: %w", parcel.ID, d.name, err)
			}
		}
	}
	return nil
}
