package rules

import (
	"cmp"
	"slices"

	"gatewright/schema/arrange"
)

// parts says which lists of an output something bears on.
type parts uint8

const (
	completionPart parts = 1 << iota
	duePart
	flagsPart
)

// differ says in which parts two views differ.
func differ(a, b *view) parts {
	var p parts
	if (a.completion == nil) != (b.completion == nil) || a.completion != nil && *a.completion != *b.completion {
		p |= completionPart
	}
	if !slices.EqualFunc(a.due, b.due, equalItems) {
		p |= duePart
	}
	if len(a.flags) != len(b.flags) {
		return p | flagsPart
	}
	for i := range a.flags {
		if !equalFlags(&a.flags[i], &b.flags[i]) {
			return p | flagsPart
		}
	}
	return p
}

func equalItems(a, b Item) bool {
	last, other := a.Last, b.Last
	a.Last, b.Last = nil, nil
	return a == b && equalDone(last, other)
}

func equalDone(a, b *Done) bool { return a == b || a != nil && b != nil && *a == *b }

func equalFlags(a, b *Flag) bool {
	return a.Raised == b.Raised && a.Cleared == b.Cleared && a.HasCleared == b.HasCleared &&
		a.Subject == b.Subject && a.Severity == b.Severity && a.Key == b.Key && a.Under == b.Under &&
		a.Gate == b.Gate && a.Part == b.Part && a.Check == b.Check &&
		slices.Equal(a.Params, b.Params) && slices.Equal(a.Entries, b.Entries) && slices.Equal(a.Acts, b.Acts) &&
		equalDone(a.Taken, b.Taken) && equalDone(a.Dismissed, b.Dismissed)
}

// ordered is one list of an output, and which fragment each item comes from.
// A list that has been handed out is never changed: a new one takes its place.
type ordered[T any] struct {
	list   []T
	owners []*fragment
}

// listing is what the last output listed.
type listing struct {
	completion ordered[Completion]
	due        ordered[Item]
	flags      ordered[Flag]
	headed     []Flag // flags, with those that stand under another subject's
}

// renew puts the parts that changed in their places again.
func (l *listing) renew(live []*fragment, changed parts) {
	if changed == 0 {
		return
	}
	if changed&completionPart != 0 {
		l.completion.renew(live, completionPart, func(h *fragment, put func(Completion)) {
			if h.v.completion != nil {
				put(*h.v.completion)
			}
		}, func(a, b *Completion) int { return cmp.Compare(a.Check, b.Check) })
	}
	if changed&duePart != 0 {
		l.due.renew(live, duePart, func(h *fragment, put func(Item)) {
			for i := range h.v.due {
				put(h.v.due[i])
			}
		}, compareItems)
	}
	if changed&flagsPart != 0 {
		l.flags.renew(live, flagsPart, func(h *fragment, put func(Flag)) {
			for i := range h.v.flags {
				put(h.v.flags[i])
			}
		}, compareFlags)
		l.headed = l.flags.list
		for i := range l.headed {
			if isHead(&l.headed[i]) {
				l.headed = slices.Clone(l.headed)
				standUnderHeads(l.headed)
				break
			}
		}
	}
	for _, h := range live {
		h.changed = 0
	}
}

// renew makes the list anew of the old one, without what came from fragments
// that changed, and of what these show now.
func (o *ordered[T]) renew(live []*fragment, part parts, of func(h *fragment, put func(T)), compare func(a, b *T) int) {
	var news ordered[T]
	var order []int
	for _, h := range live {
		if h.changed&part != 0 {
			of(h, func(x T) {
				order = append(order, len(order))
				news.list, news.owners = append(news.list, x), append(news.owners, h)
			})
		}
	}
	arrange.By(order, func(i, j int) int { return compare(&news.list[i], &news.list[j]) })
	n := len(o.list) + len(order)
	next := ordered[T]{make([]T, 0, n), make([]*fragment, 0, n)}
	for i := range o.list {
		if o.owners[i].changed&part != 0 {
			continue
		}
		for len(order) > 0 && compare(&news.list[order[0]], &o.list[i]) < 0 {
			next.list, next.owners = append(next.list, news.list[order[0]]), append(next.owners, news.owners[order[0]])
			order = order[1:]
		}
		next.list, next.owners = append(next.list, o.list[i]), append(next.owners, o.owners[i])
	}
	for _, k := range order {
		next.list, next.owners = append(next.list, news.list[k]), append(next.owners, news.owners[k])
	}
	*o = next
}
