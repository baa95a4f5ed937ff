package crash

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gatewright/schema/logbook"
	"gatewright/sync/sqlitestore"
	"gatewright/sync/wire"
)

// DamagePlan is a trial by damaged copies of a SQLite database.
type DamagePlan struct {
	Plan
	Logs   int // copies whose write-ahead log is damaged, each in another way or place
	Pages  int // copies with a bit changed inside a stored change
	Random int // copies with a bit changed anywhere in the file
}

// files is a database as it lay on the disk: the file, its log, and the note of how much was stored.
type files struct{ db, log, seen []byte }

const (
	logSuffix, seenSuffix = "-wal", "-seen"

	// older is what must be said of a database that lost its end, at start and by the check.
	older = "older than what was acknowledged"
)

func (s *SQLite) read() (f files, err error) {
	for suffix, into := range map[string]*[]byte{"": &f.db, logSuffix: &f.log, seenSuffix: &f.seen} {
		if *into, err = os.ReadFile(s.File() + suffix); err != nil {
			return f, err
		}
	}
	return f, nil
}

func (s *SQLite) write(f files) error {
	if err := os.MkdirAll(s.folder, 0o700); err != nil {
		return err
	}
	for suffix, b := range map[string][]byte{"": f.db, logSuffix: f.log, seenSuffix: f.seen} {
		if len(b) == 0 && suffix != "" {
			continue
		}
		if err := os.WriteFile(s.File()+suffix, b, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// damage is the trial's own part: what it was made from.
type damage struct {
	*Trial
	folder string
	whole  files
	log    *wal
	needed int // transactions of the log that it takes to have all that was acknowledged
	acked  []logbook.EntryID
	copies int
	res    *Result
}

// Damage runs the trial by damaged copies.
func Damage(ctx context.Context, bin, folder string, p DamagePlan) (Result, error) {
	begun := time.Now()
	t := New(bin, NewSQLite(filepath.Join(folder, "data")), p.Plan)
	defer t.End()
	res := Result{Trial: "damage", Store: "sqlite", Seed: p.Seed, Facts: map[string]any{}}
	d := &damage{Trial: t, folder: folder, res: &res}
	err := d.prepare(ctx)
	if err == nil {
		err = d.damageLogs(ctx, p.Logs)
	}
	if err == nil {
		err = d.damagePages(ctx, p.Pages, p.Random)
	}
	return t.finish(res, begun, err)
}

// prepare makes a database of which one part is in the file and one in the log, with the server killed under load.
func (d *damage) prepare(ctx context.Context) error {
	if err := d.Begin(ctx); err != nil {
		return err
	}
	if _, err := d.freshReaders(ctx); err != nil { // enrols their devices
		return err
	}
	d.connect(ctx)
	d.record(true)
	each := len(d.sites) * d.plan.Phones * 20
	enough := func() bool { _, acked := d.ledger.counts(); return acked >= each }
	if err := d.until(ctx, "a first part being acknowledged", drainWithin, enough); err != nil {
		return err
	}
	d.record(false)
	if err := d.until(ctx, "the first part going through", drainWithin, d.drained); err != nil {
		return err
	}
	d.disconnect()
	d.struck.Store(true)
	if err := d.server.stop(); err != nil {
		return err
	}
	var err error
	if d.server, err = d.start(nil); err != nil {
		return err
	}
	d.connect(ctx)
	d.fuse.Store(int64(each))
	d.record(true)
	select {
	case <-d.server.gone:
	case <-ctx.Done():
		return ctx.Err()
	}
	d.working.Wait()
	d.disconnect()
	d.res.Kills++
	d.res.Unanswered += int(d.waitingNow())
	if err := d.verdict(); err != nil {
		return err
	}
	if d.whole, err = d.store.(*SQLite).read(); err != nil {
		return err
	}
	if d.log, err = readWAL(d.whole.log); err != nil {
		return err
	}
	d.acked = d.ledger.newlyAcknowledged()
	return d.findNeeded(ctx)
}

// findNeeded finds the shortest log that holds all that was acknowledged, by halving.
func (d *damage) findNeeded(ctx context.Context) error {
	lost := func(commits int) (bool, error) {
		f := d.whole
		f.log = f.log[:d.endOf(commits)]
		s, err := d.copy(f)
		if err != nil {
			return false, err
		}
		db, err := sqlitestore.Open(ctx, s.File(), sqlitestore.Options{})
		if err != nil {
			return false, err
		}
		defer db.Close()
		found, err := d.lookUpIn(ctx, db, d.acked)
		return !found.none(), err
	}
	all := len(d.log.commits)
	if missing, err := lost(all); err != nil || missing {
		return errors.Join(errors.New("the whole log does not hold all that was acknowledged"), err)
	}
	low, high := 0, all // high holds all
	for low < high {
		middle := (low + high) / 2
		missing, err := lost(middle)
		if err != nil {
			return err
		}
		if missing {
			low = middle + 1
		} else {
			high = middle
		}
	}
	d.needed = high
	d.res.Facts["transactions_in_log"], d.res.Facts["of_which_acknowledged"] = all, d.needed
	d.say("the log has %d transactions, the last that was acknowledged is number %d", all, d.needed)
	if d.needed == 0 {
		return errors.New("nothing in the log was acknowledged: there is nothing to lose")
	}
	return nil
}

// endOf is where a number of transactions of the log ends.
func (d *damage) endOf(commits int) int {
	if commits == 0 {
		return walHeader
	}
	return d.log.commits[commits-1]
}

// copy writes a copy into a folder of its own.
func (d *damage) copy(f files) (*SQLite, error) {
	d.copies++
	s := NewSQLite(filepath.Join(d.folder, fmt.Sprintf("copy-%d", d.copies)))
	return s, s.write(f)
}

func (d *damage) damageLogs(ctx context.Context, n int) error {
	for i := range n {
		h := d.logHarm(i)
		f := files{bytes.Clone(d.whole.db), bytes.Clone(d.whole.log), d.whole.seen}
		h.do(&f)
		if err := d.tryLog(ctx, h, f); err != nil {
			return fmt.Errorf("%s: %w", h.name, err)
		}
	}
	return nil
}

// tryLog starts the server on a copy with a damaged log: what was acknowledged is there, or it is said that it is
// not, and the phones bring it back.
func (d *damage) tryLog(ctx context.Context, h harm, f files) error {
	s, err := d.copy(f)
	if err != nil {
		return err
	}
	d.store = s
	if d.server, err = d.start(nil); err != nil {
		return err
	}
	defer d.server.kill()
	d.res.Cases++
	found, err := d.lookUp(ctx, d.acked)
	if err != nil {
		return err
	}
	if found.Altered > 0 || found.Strange > 0 {
		d.res.Altered += found.Altered
		d.res.Strange += found.Strange
		return errors.Join(found.named...)
	}
	said, _ := d.console(ctx, "check")
	switch lost := found.Lost > 0; {
	case h.kept >= d.needed && lost:
		d.res.Lost += found.Lost
		return fmt.Errorf("the damage came after the last acknowledged transaction, and %d entries are missing", found.Lost)
	case h.kept < d.needed && !lost:
		return fmt.Errorf("transaction %d is damaged and nothing of it is missing: the trial is wrong", h.kept+1)
	case lost && (!strings.Contains(d.server.said.String(), older) || !strings.Contains(said, older)):
		d.res.Lost += found.Lost
		return fmt.Errorf("%d acknowledged entries are missing; at start it was said %q, by the check %q", found.Lost, d.server.said, said)
	case lost:
		count(d.res.Facts, "losses_said")
		d.res.Facts["entries_brought_back"] = found.Lost + number(d.res.Facts["entries_brought_back"])
		// In every second case a manager opens a restore window, as it is said at start; without it, the same comes back
		// by and by.
		if number(d.res.Facts["losses_said"])%2 == 0 {
			if err := d.openWindows(ctx); err != nil {
				return err
			}
		}
	default:
		count(d.res.Facts, "nothing_lost")
	}
	return d.heal(ctx)
}

// openWindows opens a restore window at every site: what phones bring back of one another's then needs no
// confirmation.
func (d *damage) openWindows(ctx context.Context) error {
	for _, s := range d.sites {
		token, err := s.manager.access(ctx, d.server.base)
		if err != nil {
			return err
		}
		if err := ask(ctx, d.server.base, "POST", "/api/v1/sites/"+s.id+"/restore-window", token, object{"minutes": 10}, nil); err != nil {
			return err
		}
	}
	return nil
}

func number(v any) int { n, _ := v.(int); return n }

const healWithin = 60 * time.Second

// heal lets the phones connect, and waits until a new phone at each site has got everything from the server that was
// ever acknowledged. Then the check has no more to say than that there was a loss.
func (d *damage) heal(ctx context.Context) error {
	d.mayHold = true
	d.connect(ctx)
	defer d.disconnect()
	for _, s := range d.sites {
		if err := d.healed(ctx, s); err != nil {
			return fmt.Errorf("site %d, after the phones came back: %w", s.index, err)
		}
	}
	if err := d.until(ctx, "everything leaving the outboxes", drainWithin, d.drained); err != nil {
		return err
	}
	d.disconnect()
	found, err := d.lookUp(ctx, append(d.ledger.newlyAcknowledged(), d.acked...))
	if err != nil || !found.none() {
		d.res.Lost += found.Lost
		d.res.Altered += found.Altered
		return errors.Join(append(found.named, err)...)
	}
	said, err := d.console(ctx, "check")
	lines := strings.Split(strings.TrimSpace(said), "\n")
	for _, line := range lines[:max(0, len(lines)-1)] { // the last one is the sum
		if !strings.Contains(line, older) {
			return fmt.Errorf("the check says after the phones came back: %s", said)
		}
	}
	if err != nil && len(lines) < 2 {
		return err
	}
	return nil
}

func (d *damage) healed(ctx context.Context, s *site) error {
	h, err := d.newHandset(s, s.reader)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, healWithin)
	defer cancel()
	want := d.ledger.of(s.index)
	maps.DeleteFunc(want, func(_ logbook.EntryID, r record) bool { return !r.acked })
	end, err := h.session(ctx, d.server.base, func(wire.Message) bool {
		for id, r := range want {
			if raw, ok := h.phone.Entry(id); !ok || raw != r.raw {
				return false
			}
		}
		return true
	})
	if err != nil {
		return err
	}
	missing := 0
	for id, r := range want {
		if raw, ok := h.phone.Entry(id); ok && raw != r.raw {
			return fmt.Errorf("entry %s is served in other bytes than were saved", id)
		} else if !ok {
			missing++
		}
	}
	if missing > 0 {
		d.res.Lost += missing
		return fmt.Errorf("%d of %d acknowledged entries did not come back (%s): %s", missing, len(want), end, d.server.said)
	}
	return nil
}

// damagePages changes bits in the file itself, with nothing in the log that could cover them.
func (d *damage) damagePages(ctx context.Context, inChanges, anywhere int) error {
	if inChanges+anywhere == 0 {
		return nil
	}
	s, err := d.copy(d.whole)
	if err != nil {
		return err
	}
	db, err := sqlitestore.Open(ctx, s.File(), sqlitestore.Options{})
	if err != nil {
		return err
	}
	if err := db.Close(); err != nil { // which moves the log into the file
		return err
	}
	file, err := os.ReadFile(s.File())
	if err != nil {
		return err
	}
	seen, err := os.ReadFile(s.File() + seenSuffix)
	if err != nil {
		return err
	}
	first := slices.Sorted(slices.Values(d.acked))
	for i := range inChanges + anywhere {
		f := files{db: bytes.Clone(file), seen: seen}
		at, victim := d.chance.IntN(len(file)), logbook.EntryID("")
		if i < inChanges {
			victim = first[d.chance.IntN(len(first))]
			r, _ := d.ledger.get(victim)
			// The beginning of an entry stands in one piece in its change, whatever page that is on.
			if at = bytes.Index(file, []byte(r.raw[:40])); at < 0 {
				continue // it goes over the edge of a page
			}
			at += d.chance.IntN(40)
		}
		f.db[at] ^= 1 << d.chance.IntN(8)
		if err := d.tryPage(ctx, f, victim); err != nil {
			return fmt.Errorf("bit changed at %d of %d, in entry %q: %w", at, len(file), victim, err)
		}
	}
	return nil
}

// tryPage starts the server on a copy with a changed bit. It may say that it cannot; else nothing is served in other
// bytes than were saved, and what is missing is said.
func (d *damage) tryPage(ctx context.Context, f files, victim logbook.EntryID) error {
	s, err := d.copy(f)
	if err != nil {
		return err
	}
	d.store = s
	d.res.Cases++
	if d.server, err = d.start(nil); errors.Is(err, errEnded) && victim == "" {
		count(d.res.Facts, "would_not_start")
		if said := strings.TrimSpace(d.server.said.String()); said == "" || strings.Contains(said, "panic") {
			return fmt.Errorf("it ended without a sentence: %q", said)
		}
		return nil
	} else if err != nil {
		return err
	}
	defer d.server.kill()
	said, wrong := d.console(ctx, "check")
	missing := 0
	for _, site := range d.sites {
		n, err := d.serves(ctx, site)
		if err != nil {
			return err
		}
		missing += n
	}
	switch {
	case !d.server.alive():
		return fmt.Errorf("the server ended: %s", d.server.said)
	case wrong == nil && (missing > 0 || victim != ""):
		d.res.Lost += missing
		return fmt.Errorf("the check finds nothing wrong and %d acknowledged entries are not served: %s", missing, said)
	case wrong != nil && victim == "":
		count(d.res.Facts, "found_by_check")
	case victim == "":
		count(d.res.Facts, "harmless")
	default:
		count(d.res.Facts, "changes_damaged_and_found")
		if missing == 0 {
			return errors.New("a change whose bytes have another hash is served")
		}
		return d.heal(ctx)
	}
	return nil
}

// serves counts the entries acknowledged before the kill that a new phone does not get. One in other bytes is an error.
func (d *damage) serves(ctx context.Context, s *site) (missing int, err error) {
	there, err := d.freshReader(ctx, s)
	if errors.Is(err, errCutOff) || isRefusal(err) {
		return 0, nil // the server says that it cannot read
	} else if err != nil {
		return 0, err
	}
	known := d.ledger.of(s.index)
	for id, raw := range there {
		if raw != known[id].raw {
			d.res.Altered++
			return 0, fmt.Errorf("entry %s is served in other bytes than were saved", id)
		}
	}
	for _, id := range d.acked {
		if _, here := known[id]; here {
			if _, served := there[id]; !served {
				missing++
			}
		}
	}
	return missing, nil
}

func isRefusal(err error) bool { _, ok := errors.AsType[*refusal](err); return ok }
