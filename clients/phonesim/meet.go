package phonesim

import (
	"fmt"
	"maps"
	"slices"

	"gatewright/sync/graph"
	"gatewright/sync/wire"
)

// Meet lets two phones of a site exchange all they hold without the server, as
// a phone and a box on the farm's network do. Each takes the other's changes
// as they are; the server will judge them.
func Meet(a, b *Phone) error {
	if !a.On() || !b.On() {
		return ErrOff
	}
	names := slices.Sorted(maps.Keys(a.docs))
	for name := range b.docs {
		if a.docs[name] == nil {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		if err := meet(a, b, name); err != nil {
			return fmt.Errorf("exchanging %s: %w", name, err)
		}
	}
	return nil
}

func meet(a, b *Phone, name string) error {
	type side struct {
		p    *Phone
		d    *document
		peer graph.Peer
	}
	sides := [2]*side{{p: a, d: a.open(name)}, {p: b, d: b.open(name)}}
	for silent, turn := 0, 0; silent < 2; turn++ {
		from, to := sides[turn%2], sides[(turn+1)%2]
		m, ok := from.d.g.Generate(&from.peer)
		if !ok {
			silent++
			continue
		}
		silent = 0
		heard, err := wire.DecodeSync(m.Encode())
		if err != nil {
			return err
		}
		for _, chunk := range heard.Changes {
			if err := to.p.take(to.d, chunk); err != nil {
				return err
			}
		}
		to.d.g.Receive(&to.peer, heard)
	}
	for _, s := range sides {
		if err := s.p.say(s.d); err != nil {
			return err
		}
	}
	return nil
}
