package sqlstore

import (
	"context"
	"errors"
)

// Lease is the right to do a job that one node alone should do. It can run out
// while its holder is still at work: what must not be done twice carries the
// fence, and goes by the largest one seen.
type Lease struct {
	Name   string
	Holder string
	Until  int64 // ms since 1970, the first instant at which it no longer holds
	Fence  int64 // grows each time the lease is taken, by whomever
}

const (
	acquireLease = `INSERT INTO leases (name, holder, until, fence) VALUES ($1, $2, $3, 1)
		ON CONFLICT (name) DO UPDATE SET holder = excluded.holder, until = excluded.until, fence = leases.fence + 1
		WHERE leases.until <= $4 RETURNING fence`
	renewLease = `UPDATE leases SET until = $1 WHERE name = $2 AND holder = $3 AND fence = $4 AND until > $5`
	// The row stays, or the fence would start again.
	releaseLease = `UPDATE leases SET until = 0 WHERE name = $1 AND holder = $2 AND fence = $3`
)

var errLease = errors.New("a lease needs a name, a holder and an end after now")

// Acquire takes a lease until an instant (ms) if it is free at now: never
// taken, given back or run out. It reports whether it was; a lease that somebody
// holds, even the same holder, is not free.
func (s *Store) Acquire(ctx context.Context, name, holder string, now, until int64) (Lease, bool, error) {
	if name == "" || holder == "" || until <= now {
		return Lease{}, false, failed("taking a lease", errLease)
	}
	l := Lease{Name: name, Holder: holder, Until: until}
	var taken bool
	err := s.write(ctx, "taking lease "+name, func(j job) (err error) {
		taken, err = j.get(acquireLease, &l.Fence, name, holder, until, now)
		return err
	})
	if err != nil || !taken {
		return Lease{}, false, err
	}
	return l, true, nil
}

// Renew makes a lease that still holds at now hold until a later instant (ms).
// It reports whether it did; one that has run out must be taken again, since
// others may have acted on its end.
func (s *Store) Renew(ctx context.Context, l Lease, now, until int64) (Lease, bool, error) {
	if until <= now {
		return Lease{}, false, failed("renewing a lease", errLease)
	}
	renewed, err := s.compareAndSet(ctx, "renewing lease "+l.Name, renewLease, until, l.Name, l.Holder, l.Fence, now)
	if err != nil || !renewed {
		return Lease{}, false, err
	}
	l.Until = until
	return l, true, nil
}

// Release gives a lease back and reports whether it was still this one.
func (s *Store) Release(ctx context.Context, l Lease) (bool, error) {
	return s.compareAndSet(ctx, "giving back lease "+l.Name, releaseLease, l.Name, l.Holder, l.Fence)
}

// compareAndSet runs one statement and reports whether a row was as it said.
func (s *Store) compareAndSet(ctx context.Context, doing, query string, args ...any) (set bool, err error) {
	err = s.write(ctx, doing, func(j job) (err error) {
		set, err = j.does(query, args...)
		return err
	})
	return set && err == nil, err
}
