package phonesim

import (
	"cmp"
	"fmt"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
)

// Record saves one entry. The caller says kind, person and the fields of the
// kind; id, device and correction are the phone's, and At is now unless it is
// given. When Record returns nil the entry is saved.
func (p *Phone) Record(e logbook.Entry) (logbook.EntryID, error) {
	if !p.On() {
		return "", ErrOff
	}
	now := p.Now()
	id, err := p.nextID(now, max(e.Of, e.Replaces))
	if err != nil {
		return "", fmt.Errorf("recording: %w", err)
	}
	e.ID, e.V, e.Dev, e.Off = id, 1, p.cfg.Device, p.disk.off
	e.At = cmp.Or(e.At, now)
	raw, err := e.Encode()
	if err != nil {
		return "", fmt.Errorf("recording: %w", err)
	}
	parcel := Parcel{ID: id, Raw: string(raw), Document: id.Document(), State: Waiting}
	if err := p.step(StepOutbox); err != nil {
		return "", err
	}
	p.disk.parcels[id] = parcel
	if err := p.step(StepDocument); err != nil {
		return "", err
	}
	if d := p.open(parcel.Document); !p.behind(d, id) {
		if err := p.put(d, parcel); err != nil {
			return "", fmt.Errorf("recording: %w", err)
		}
	}
	if err := p.step(StepSaid); err != nil {
		return "", err
	}
	return id, nil
}

// nextID makes an id of this moment. Within one millisecond ids rise in the
// order of recording. The id of an entry that speaks about another one is
// greater than that one's, also when that one is dated ahead: then it gets the
// millisecond after it, with chance of its own, so that two phones that void
// the same entry do not make the same id. Such an id does not draw later ones
// after it, and neither does a clock that was ahead and is put right.
func (p *Phone) nextID(now int64, after logbook.EntryID) (logbook.EntryID, error) {
	var random [10]byte
	p.cfg.Random(random[:])
	id := logbook.NewEntryID(now, random)
	if id <= p.last && p.last.Time() == now {
		var err error
		if id, err = logbook.Next(p.last); err != nil {
			return "", err
		}
	}
	p.last = id
	if id <= after {
		id = logbook.NewEntryID(after.Time()+1, random)
	}
	return id, id.Valid()
}

// behind reports that an entry saved earlier still has to be put back into the
// document. Then later ones wait behind it: a void that reached the server
// before the entry it is about would be refused.
func (p *Phone) behind(d *document, id logbook.EntryID) bool {
	for _, other := range p.disk.parcels {
		if _, there := d.entries[other.ID]; other.ID != id && other.Document == d.name && other.State == Waiting && !there {
			return true
		}
	}
	return false
}

// put writes an entry into its document as a change of its own: what is
// refused then takes nothing else with it. An entry that is there is left.
func (p *Phone) put(d *document, parcel Parcel) error {
	if _, there := d.entries[parcel.ID]; there {
		return nil
	}
	c := d.next(p.actor, parcel.ID.Time())
	c.Ops = []change.Op{{Key: string(parcel.ID), Action: change.Set, Value: change.String(parcel.Raw)}}
	return p.write(d, c)
}

func (p *Phone) write(d *document, c *change.Change) error {
	if err := change.Encode(c); err != nil {
		return err
	}
	if _, err := d.add(c); err != nil {
		return err
	}
	p.disk.writeLate(d.name, c.Bytes)
	return p.say(d)
}
