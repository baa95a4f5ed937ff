// Package accept lets entries in that were refused, once a manager says so:
// each original text is written under its own id by the server, and beside it
// an `admitted` entry that says which device had brought it.
//
// Doing it again does no harm: what stands in the log is passed over, and the
// `admitted` entry follows from the item alone, so that two managers at once,
// or a server killed half way, leave one of each. Nothing is written unless
// every entry of the item can be.
package accept

import (
	"context"
	"crypto/sha256"
	"fmt"
	"strconv"

	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// Log is the log of a site, to be read and to be written by the server.
type Log struct {
	// Load gives the changes of a document, as hub.Store does.
	Load func(ctx context.Context, site, doc string) ([]hub.StoredChange, []hub.HeldChange, error)
	// Write writes entries of the server, as hub.Runner.WriteEntries does:
	// an id that is in the log is passed over, and what was written is durable.
	Write func(ctx context.Context, site string, entries [][]byte) error
}

// Item is what was refused together.
type Item struct {
	Site     string
	Document string
	Device   string   // that brought it
	Entries  []string // as they came
	At       int64    // when it was accepted, ms since 1970; the same whenever it is tried again
}

// Cannot says, in one sentence for a person, why an item cannot be let in. It
// would say the same whenever it is asked, and nothing was written.
type Cannot struct{ Sentence string }

func (c *Cannot) Error() string { return c.Sentence }

func cannot(format string, args ...any) error {
	return &Cannot{fmt.Sprintf(format, args...)}
}

// Read gives the entries of an item, or a *Cannot.
func Read(document string, entries []string) ([]*logbook.Entry, error) {
	if len(entries) == 0 {
		if document == logbook.PlanDocument {
			return nil, cannot("A refused change of the plan cannot be accepted: edit the plan yourself and discard this item.")
		}
		return nil, cannot("No entry can be read from this item, so it can only be discarded.")
	}
	out := make([]*logbook.Entry, 0, len(entries))
	seen := map[logbook.EntryID]bool{}
	for i, text := range entries {
		e, err := ReadOne(text)
		if err != nil && len(entries) > 1 {
			return nil, cannot("Of entry %d of this item: %s", i+1, err.Error())
		}
		if err != nil {
			return nil, err
		}
		if seen[e.ID] {
			return nil, cannot("This item holds the entry id %s twice, so it can only be discarded.", e.ID)
		}
		seen[e.ID] = true
		out = append(out, e)
	}
	return out, nil
}

// ReadOne reads one entry, or gives a *Cannot that says why the server cannot
// write it for its author.
func ReadOne(text string) (*logbook.Entry, error) {
	e, err := logbook.ParseEntry([]byte(text))
	switch {
	case err != nil:
		return nil, cannot("The entry cannot be read (%s), so it can only be discarded.", err)
	case rights.OnlyServer(e.Kind):
		return nil, cannot("Only the server writes entries of kind %s, so this one can only be discarded.", e.Kind)
	case e.By == logbook.Server || e.Dev == logbook.Server:
		return nil, cannot("The entry claims to be of the server, so it can only be discarded.")
	}
	return e, nil
}

// In lets an item in. When it returns nil, all of its entries are in the log
// and durable; written counts those that the server let in, which leaves out
// what had come by itself meanwhile.
func (l Log) In(ctx context.Context, item Item) (written int, err error) {
	entries, err := Read(item.Document, item.Entries)
	if err != nil {
		return 0, err
	}
	var fresh, admitted [][]byte
	for _, e := range entries {
		there, err := l.find(ctx, item.Site, e)
		if err != nil {
			return 0, err
		}
		if there == fromElsewhere {
			continue
		}
		if there == nowhere {
			fresh = append(fresh, e.Raw)
		}
		mark, err := item.admitted(e.ID)
		if err != nil {
			return 0, err
		}
		admitted = append(admitted, mark)
	}
	if len(admitted) == 0 {
		return 0, nil
	}
	if len(fresh) > 0 {
		if err := l.Write(ctx, item.Site, fresh); err != nil {
			return 0, fmt.Errorf("writing accepted entries: %w", err)
		}
		// A phone may have been quicker with another entry of the same id.
		for _, e := range entries {
			if _, err := l.find(ctx, item.Site, e); err != nil {
				return 0, err
			}
		}
	}
	if err := l.Write(ctx, item.Site, admitted); err != nil {
		return 0, fmt.Errorf("writing how entries came in: %w", err)
	}
	return len(admitted), nil
}

// place says where an entry stands.
type place int

const (
	nowhere       place = iota
	fromServer          // written by the server: by an acceptance
	fromElsewhere       // brought by a device in the usual way
)

// find looks for an entry. The same id with another text is a *Cannot.
func (l Log) find(ctx context.Context, site string, e *logbook.Entry) (place, error) {
	stored, _, err := l.Load(ctx, site, e.ID.Document())
	if err != nil {
		return nowhere, fmt.Errorf("looking for entry %s: %w", e.ID, err)
	}
	for i := range stored {
		for _, row := range stored[i].Entries {
			if row.ID != string(e.ID) {
				continue
			}
			text, err := textOf(&stored[i], row.ID)
			switch {
			case err != nil:
				return nowhere, fmt.Errorf("looking for entry %s: %w", e.ID, err)
			case text != string(e.Raw):
				return nowhere, cannot("The entry id %s is in the log already with other content, so this one can only be discarded.", e.ID)
			case stored[i].Device == admit.ServerDevice:
				return fromServer, nil
			}
			return fromElsewhere, nil
		}
	}
	return nowhere, nil
}

func textOf(s *hub.StoredChange, id string) (string, error) {
	c, err := change.Decode(s.Bytes, change.DefaultLimits)
	if err != nil {
		return "", fmt.Errorf("reading change %s: %w", s.Hash, err)
	}
	for i := range c.Ops {
		if c.Ops[i].Key == id {
			return c.Ops[i].Value.Str, nil
		}
	}
	return "", fmt.Errorf("change %s does not hold it", s.Hash)
}

// admitted writes the entry that says how another one came in. All of it
// follows from the item, so that it is the same at every try.
func (i *Item) admitted(of logbook.EntryID) ([]byte, error) {
	at := strconv.FormatInt(i.At, 10)
	sum := sha256.Sum256([]byte(i.Site + "\n" + string(of) + "\naccepted\n" + i.Device + "\n" + at))
	id := logbook.NewEntryID(max(i.At, of.Time()), [10]byte(sum[:10]))
	if id <= of {
		next, err := logbook.Next(of)
		if err != nil {
			return nil, fmt.Errorf("saying how entry %s came in: %w", of, err)
		}
		id = next
	}
	raw, err := logbook.Entry{ID: id, Kind: logbook.Admitted, At: i.At, By: logbook.Server, Dev: logbook.Server,
		Of: of, How: "accepted", Via: i.Device}.Encode()
	if err != nil {
		return nil, fmt.Errorf("saying how entry %s came in: %w", of, err)
	}
	return raw, nil
}
