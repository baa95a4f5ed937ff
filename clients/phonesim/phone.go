package phonesim

import (
	"fmt"
	"maps"
	"slices"

	"gatewright/schema/logbook"
	"gatewright/schema/rules"
	"gatewright/sync/change"
)

// Config is what makes a phone.
type Config struct {
	Site   string       // UUID
	Device string       // device id
	Clock  func() int64 // the phone's own clock, ms since 1970, right or wrong
	Random func([]byte) // fills with random bytes
}

// Phone is one running phone. It is not safe for concurrent use.
type Phone struct {
	cfg   Config
	site  [16]byte
	disk  *Disk
	start int

	actor change.Actor
	last  logbook.EntryID
	docs  map[string]*document
	names map[string]string // document id -> name

	link *link // nil while offline
	out  [][]byte

	engine *rules.Engine
	told   map[string]int // changes of each document that the rules have seen
}

// Open starts a phone from its disk.
func Open(cfg Config, disk *Disk) (*Phone, error) {
	site, err := logbook.ParseUUID(cfg.Site)
	if err != nil {
		return nil, fmt.Errorf("starting a phone: %w", err)
	}
	disk.starts++
	p := &Phone{cfg: cfg, site: site, disk: disk, start: disk.starts}
	if err := p.load(); err != nil {
		return nil, fmt.Errorf("starting a phone: %w", err)
	}
	return p, nil
}

// load reads the documents from the disk, under a fresh actor: what was
// written late may be lost, and its numbers must not be used again.
func (p *Phone) load() error {
	for _, name := range slices.Sorted(maps.Keys(p.disk.drops)) {
		if err := p.drop(name); err != nil {
			return err
		}
	}
	actor := make([]byte, 16)
	p.cfg.Random(actor)
	p.actor = change.Actor(actor)
	p.docs, p.names = map[string]*document{}, map[string]string{}
	p.engine, p.told = rules.New(), map[string]int{}
	for _, name := range p.disk.names() {
		d := p.open(name)
		for _, chunk := range p.disk.documents[name] {
			c, err := change.Decode(chunk, change.DefaultLimits)
			if err == nil {
				_, err = d.add(c)
			}
			if err != nil {
				return fmt.Errorf("reading %s from the disk: %w", name, err)
			}
		}
	}
	p.open(logbook.PlanDocument)
	for _, name := range p.disk.listed {
		p.open(name)
	}
	for _, parcel := range p.disk.Parcels() {
		p.open(parcel.Document)
	}
	return nil
}

// drop removes the copy of a document that is condemned.
func (p *Phone) drop(name string) error {
	if err := p.step(StepDrop); err != nil {
		return err
	}
	delete(p.disk.documents, name)
	delete(p.disk.late, name)
	if err := p.step(StepDropped); err != nil {
		return err
	}
	delete(p.disk.drops, name)
	return nil
}

func (p *Phone) open(name string) *document {
	d := p.docs[name]
	if d == nil {
		d = newDocument(p.site, name)
		p.docs[name] = d
		p.names[d.id] = name
	}
	return d
}

// inOrder lists the open documents, the plan first.
func (p *Phone) inOrder() []*document {
	var out []*document
	for _, name := range slices.Sorted(maps.Keys(p.docs)) {
		if name == logbook.PlanDocument {
			out = slices.Insert(out, 0, p.docs[name])
		} else {
			out = append(out, p.docs[name])
		}
	}
	return out
}

func (p *Phone) step(name string) error { return p.disk.step(p.start, name) }

// On reports that the phone has power.
func (p *Phone) On() bool { return p.start == p.disk.starts }

// Device is the phone's device id.
func (p *Phone) Device() string { return p.cfg.Device }

// Now is the phone's clock with its last known correction, ms.
func (p *Phone) Now() int64 { return p.cfg.Clock() + p.disk.off }

// Offset is the correction that the phone adds to its clock, ms.
func (p *Phone) Offset() int64 { return p.disk.off }

// Flush lets what was written late reach the disk, as it does on a phone that
// is left alone for a moment.
func (p *Phone) Flush() error {
	if len(p.disk.late) == 0 && p.On() {
		return nil
	}
	if err := p.step(StepFlush); err != nil {
		return err
	}
	p.disk.flush()
	return nil
}

// Outbox lists what is in the outbox, by entry id.
func (p *Phone) Outbox() []Parcel { return p.disk.Parcels() }

// Documents lists the documents of which the phone holds something, by name.
func (p *Phone) Documents() []string {
	var out []string
	for _, d := range p.docs {
		if d.g.Len() > 0 {
			out = append(out, d.name)
		}
	}
	slices.Sort(out)
	return out
}

// Heads gives a document's heads, ascending.
func (p *Phone) Heads(name string) []change.Hash {
	if d := p.docs[name]; d != nil {
		return d.g.Heads()
	}
	return nil
}

// Changes gives the chunks of a document, ascending by hash.
func (p *Phone) Changes(name string) [][]byte {
	d := p.docs[name]
	if d == nil {
		return nil
	}
	sorted := slices.Clone(d.changes)
	slices.SortFunc(sorted, func(a, b *change.Change) int { return a.Hash.Compare(b.Hash) })
	out := make([][]byte, len(sorted))
	for i, c := range sorted {
		out[i] = c.Bytes
	}
	return out
}

// Projection is the canonical JSON of a document.
func (p *Phone) Projection(name string) []byte {
	if d := p.docs[name]; d != nil {
		return d.fold.JSON()
	}
	return nil
}

// Entry gives the bytes of an entry as its document on this phone holds it.
func (p *Phone) Entry(id logbook.EntryID) (raw string, ok bool) {
	d := p.docs[id.Document()]
	if d == nil {
		return "", false
	}
	w, ok := d.entries[id]
	return w.raw, ok
}
