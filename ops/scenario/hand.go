package scenario

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"gatewright/clients/phonesim"
	"gatewright/schema/canon"
	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/change"
	"gatewright/sync/hub"
)

// Tick lets the hub see that time has passed.
func (w *World) Tick() {
	if w.server != nil {
		w.server.step(hub.Tick{})
		w.hangUp()
	}
}

// Offline takes a phone's link away.
func (w *World) Offline(h *handset) {
	h.online, h.cut = false, 0
	w.hangUp()
}

// Online gives a phone a link. It talks when the story says sync.
func (w *World) Online(h *handset) { h.online, h.shut, h.cut = true, "", 0 }

// SyncPhone is Sync, and fails if this phone has no link, or is not let in, or
// is switched off before the end.
func (w *World) SyncPhone(h *handset) error {
	if !h.online {
		return fmt.Errorf("%s has no link", h.name)
	}
	h.shut = ""
	if err := w.Sync(); err != nil {
		return err
	}
	switch {
	case !h.phone.On():
		return phonesim.ErrOff
	case !h.online:
		return fmt.Errorf("%s lost its link", h.name)
	case h.shut != "":
		return errors.New("the server does not let it in: " + h.shut)
	}
	return nil
}

// Crash takes the power from a phone: at once, or just before the n-th of the
// named steps to come.
func (w *World) Crash(h *handset, step string, n int) error {
	switch {
	case step == "":
		h.disk.PowerOff()
		w.hangUp()
	case !slices.Contains(phonesim.Steps(), step):
		return fmt.Errorf("at=%s: the steps are %s", step, strings.Join(phonesim.Steps(), ", "))
	default:
		h.disk.CrashAt(step, n)
	}
	return nil
}

// Log has somebody record an entry on a phone.
func (w *World) Log(h *handset, kind string, fields map[string]string) (logbook.EntryID, error) {
	people := w.authors[h.cfg.Device].People
	var by string
	switch name, given := fields["by"]; {
	case given:
		by = w.Person(name)
	case len(people) == 1:
		by = people[0].ID
	default:
		return "", fmt.Errorf("by=… must say which of the %d people on %s it was", len(people), h.name)
	}
	v, err := entryFields(fields)
	if err != nil {
		return "", err
	}
	at := int64(0) // the phone's own now
	if word, given := fields["at"]; given {
		if at, err = ParseInstant(word); err != nil {
			return "", err
		}
	}
	// Read as the logbook reads, under an id behind all others: the phone gives
	// it its own.
	last := logbook.NewEntryID(logbook.LastInstant, [10]byte{0xff})
	v.Set("id", canon.Text(string(last)))
	v.Set("v", canon.Int(1))
	v.Set("kind", canon.Text(kind))
	v.Set("at", canon.Int(w.now))
	v.Set("by", canon.Text(by))
	v.Set("dev", canon.Text(h.cfg.Device))
	e, err := logbook.ParseEntry(canon.Append(nil, v))
	if err != nil {
		return "", err
	}
	e.At = at
	return h.phone.Record(*e)
}

// own are the words of a story that are no fields as they stand.
var own = []string{"by", "at"}

// entryFields makes JSON of the words of a story.
func entryFields(fields map[string]string) (canon.Value, error) {
	v := canon.Value{Kind: canon.Object}
	for _, k := range slices.Sorted(maps.Keys(fields)) {
		if slices.Contains(own, k) {
			continue
		}
		word := fields[k]
		switch k {
		case "chips", "steps":
			list := canon.ListOf()
			for _, item := range strings.Split(word, ",") {
				list.List = append(list.List, canon.Text(item))
			}
			v.Set(k, list)
		case "bad", "stops", "out", "before", "baseline":
			b, err := strconv.ParseBool(word)
			if err != nil {
				return v, fmt.Errorf("%s: %w", k, err)
			}
			v.Set(k, canon.Truth(b))
		case "value", "u", "hits", "trials":
			n, err := canon.Parse([]byte(word))
			if err != nil || n.Kind != canon.Number {
				return v, fmt.Errorf("%s=%s is not a number", k, word)
			}
			v.Set(k, n)
		default:
			v.Set(k, canon.Text(word))
		}
	}
	return v, nil
}

// Edit has somebody set fields of an item of the plan on a phone; each value
// is JSON, and packed when the field wants that.
func (w *World) Edit(h *handset, collection, item string, fields map[string]string) error {
	for _, field := range slices.Sorted(maps.Keys(fields)) {
		v, err := canon.Parse([]byte(fields[field]))
		if err != nil {
			return fmt.Errorf("%s: %w", field, err)
		}
		value, err := planValue(field, v)
		if err != nil {
			return fmt.Errorf("%s: %w", field, err)
		}
		if err := h.phone.Edit(collection, item, field, value); err != nil {
			return err
		}
	}
	return nil
}

// ScalarText is a value of the plan as JSON.
func ScalarText(v change.Value) string {
	s, ok := admit.Scalar(v)
	if !ok {
		return "?"
	}
	return string(canon.Append(nil, s))
}

// Held lists what waits at the server to be confirmed, by document.
func (w *World) Held() ([]hub.HeldChange, error) {
	ctx := context.Background()
	docs, err := w.server.store.Documents(ctx, w.site)
	if err != nil {
		return nil, err
	}
	names := map[string]bool{}
	for _, d := range docs {
		names[d.Name] = true
	}
	for _, h := range w.phones { // a month may be held before it is there
		for _, name := range h.phone.Documents() {
			names[name] = true
		}
	}
	var out []hub.HeldChange
	for _, name := range slices.Sorted(maps.Keys(names)) {
		_, held, err := w.server.store.Load(ctx, w.site, name)
		if err != nil {
			return nil, err
		}
		slices.SortFunc(held, func(a, b hub.HeldChange) int { return a.Hash.Compare(b.Hash) })
		out = append(out, held...)
	}
	return out, nil
}
