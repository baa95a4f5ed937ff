package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"gatewright/api/accounts"
	"gatewright/api/starter"
	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/schema/zones"
	"gatewright/sync/hub"
	"gatewright/sync/sqlitestore"
	"gatewright/sync/wire"
)

const zone = "Europe/Dublin"

// ours is the gatewright binary on a data folder of its own. A document is this month's log of a site.
type ours struct {
	binary string
	pprof  string // loopback address of its profiles; "" = none
	month  string

	data  string
	yards []yard
	p     *process
}

// yard is a site with enrolled phones.
type yard struct {
	site   string
	uuid   [16]byte
	phones []enrolled
}

type enrolled struct {
	author
	ticket string
}

// peerID is the same each time: a ticket is bound to the first.
func (e enrolled) peerID() string { return "phone-" + e.device }

// documentID is the wire's name of a document of the site.
func (y yard) documentID(name string) string { return wire.DocumentID(logbook.DocID(y.uuid, name)) }

func newOurs(binary string) *ours {
	return &ours{binary: binary, month: logbook.LogDocument(logbook.MonthOf(time.Now().UnixMilli()))}
}

func (o *ours) name() string           { return "gatewright" }
func (o *ours) keeps() string          { return "SQLite, each commit on the disk before it is acknowledged" }
func (o *ours) settles() time.Duration { return 300 * time.Millisecond }
func (o *ours) acknowledges() bool     { return true }
func (o *ours) proc() *process         { return o.p }

func (o *ours) author(doc, ph int) author { return o.yards[doc].phones[ph].author }

func (o *ours) prepare(context.Context, []entry) error { return nil }

func (o *ours) start(ctx context.Context, folder string, s shape) error {
	o.data = filepath.Join(folder, "data")
	st, err := openStore(ctx, o.data)
	if err != nil {
		return err
	}
	o.yards, err = st.settle(ctx, s.docs, s.perDoc)
	if err := errors.Join(err, st.close(ctx)); err != nil {
		return err
	}
	return o.serve(ctx)
}

// serve starts the binary on the folder as it is.
func (o *ours) serve(ctx context.Context) error {
	var env []string
	if o.pprof != "" {
		env = append(env, pprofVariable+"="+o.pprof)
	}
	var err error
	o.p, err = launch(ctx, filepath.Join(filepath.Dir(o.data), "gatewright.log"), env,
		o.binary, "serve", "--data", o.data, "--port", "0")
	return err
}

// fetch writes what the server's profiles say under a path into a file.
func (o *ours) fetch(ctx context.Context, path, file string) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+o.pprof+path, nil)
	if err != nil {
		return err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", path, res.Status)
	}
	f, err := os.Create(file)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, res.Body)
	return errors.Join(err, f.Close())
}

func (o *ours) stop() {
	o.p.stop()
	o.p = nil
}

// socket is the address that a phone connects to.
func (o *ours) socket(e enrolled) string {
	return "ws" + strings.TrimPrefix(o.p.origin, "http") + "/sync/v1?" + url.Values{"ticket": {e.ticket}}.Encode()
}

func (o *ours) open(ctx context.Context, t *traffic, led *ledger, tl *tally, doc, ph int) (phone, error) {
	y := o.yards[doc]
	return openRepo(ctx, t, o.socket(y.phones[ph]), y.phones[ph].peerID(), true, led, tl, y.documentID(o.month), ph > 0)
}

// repoPhone is a client of the automerge-repo protocol with one document open.
type repoPhone struct {
	c *repoClient
	d *repoDoc
}

// openRepo connects and opens a document; exists says that the server has it, and then waits until it is level.
func openRepo(ctx context.Context, t *traffic, address, sender string, own bool, led *ledger, tl *tally, id string, exists bool) (phone, error) {
	c, err := dialRepo(ctx, t, address, sender, own, led, tl)
	if err != nil {
		return nil, err
	}
	d, err := c.open(id, nil)
	if err == nil && exists {
		err = c.until(ctx, d, func() bool { return d.level() && d.g.Len() > 0 })
	}
	if err != nil {
		c.close()
		return nil, err
	}
	return &repoPhone{c, d}, nil
}

func (p *repoPhone) write(entries ...entry) error { return p.c.write(p.d, entries...) }
func (p *repoPhone) close()                       { p.c.close() }

func (p *repoPhone) came() (int, error) {
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	return p.d.entries, p.c.fail
}

// store is a data folder before the server has it.
type store struct {
	db       *sqlitestore.DB
	accounts *accounts.Accounts
	hub      *hub.Runner
}

func openStore(ctx context.Context, data string) (*store, error) {
	if err := makeFolder(data); err != nil {
		return nil, err
	}
	db, err := sqlitestore.Open(ctx, filepath.Join(data, "gatewright.db"), sqlitestore.Options{})
	if err != nil {
		return nil, err
	}
	return &store{db: db, accounts: accounts.New(db, time.Now),
		hub: hub.NewRunner(db, hub.Config{StorageID: "load"}, slog.New(slog.NewTextHandler(io.Discard, nil)))}, nil
}

func (s *store) close(ctx context.Context) error { return errors.Join(s.hub.Close(ctx), s.db.Close()) }

// together is how many sites are made at once: their commits share syncs.
const together = 64

// settle makes sites as the console does: a person for each phone, a reusable ticket each, and the first plan. The
// plan of the first site is written by the hub; the others get the same change, byte for byte, through the store.
func (s *store) settle(ctx context.Context, sites, phones int) ([]yard, error) {
	yards := make([]yard, sites)
	slug := func(i int) string { return fmt.Sprintf("yard-%05d", i) }
	var err error
	if yards[0], err = s.yard(ctx, slug(0), phones); err != nil {
		return nil, err
	}
	if err := s.firstPlan(ctx, yards[0]); err != nil {
		return nil, err
	}
	plan, _, err := s.db.Load(ctx, yards[0].site, logbook.PlanDocument)
	if err != nil {
		return nil, err
	}
	return yards, inParallel(together, sites-1, func(i int) (err error) {
		y, err := s.yard(ctx, slug(1+i), phones)
		if err != nil {
			return err
		}
		yards[1+i] = y
		return s.db.Append(ctx, hub.Batch{Site: y.site, Doc: logbook.PlanDocument, DocID: y.documentID(logbook.PlanDocument),
			Changes: plan, Now: time.Now().UnixMilli()})
	})
}

// firstPlan writes the plan that the console gives a new site.
func (s *store) firstPlan(ctx context.Context, y yard) error {
	table, err := zones.Table(zone)
	if err != nil {
		return err
	}
	now := time.Now().UnixMilli()
	items, err := starter.Plan(starter.Site{ID: y.site, Name: "Yard", Zone: zone, Table: table, TableVersion: zones.Version(),
		Milkings: starter.UsualMilkings(), Since: now}, []starter.Gate{starter.UsualGate("a", "Sorting gate", now)})
	if err != nil {
		return err
	}
	return s.hub.WritePlan(ctx, y.site, items)
}

func (s *store) yard(ctx context.Context, slug string, phones int) (yard, error) {
	site, err := s.accounts.CreateSite(ctx, slug, "Yard "+slug, zone)
	if err != nil {
		return yard{}, err
	}
	y := yard{site: site.ID}
	if y.uuid, err = logbook.ParseUUID(site.ID); err != nil {
		return yard{}, err
	}
	for i := range phones {
		e, err := s.enrol(ctx, site.ID, fmt.Sprintf("Person %d", i))
		if err != nil {
			return yard{}, err
		}
		y.phones = append(y.phones, e)
	}
	return y, nil
}

// enrol adds a person of the crew with a phone and its ticket.
func (s *store) enrol(ctx context.Context, site, name string) (enrolled, error) {
	now := time.Now()
	p, err := s.accounts.AddPerson(ctx, site, name, accounts.Grant{Role: rights.Crew, From: now.AddDate(-10, 0, 0).UnixMilli()})
	if err != nil {
		return enrolled{}, err
	}
	e := enrolled{author: author{person: p.ID}}
	if e.device, err = s.accounts.AddScriptDevice(ctx, site, p.ID, "load"); err != nil {
		return enrolled{}, err
	}
	e.ticket, err = s.accounts.NewTicket(ctx, accounts.Ticket{Site: site, Device: e.device, Reusable: true,
		Expires: now.Add(12 * time.Hour).UnixMilli()})
	return e, err
}

// fillMonths gives each site so many entries of this month, by its first person.
func (s *store) fillMonths(ctx context.Context, yards []yard, count int) error {
	return inParallel(together, len(yards), func(i int) error {
		return newFiller(yards[i], yards[i].phones[0].author).to(ctx, s.db, count)
	})
}

// inParallel runs f for 0 to n-1, so many at a time, and gives the first error.
func inParallel(at, n int, f func(i int) error) error {
	turn := make(chan struct{}, at)
	failed := make(chan error, 1)
	var all sync.WaitGroup
	for i := range n {
		turn <- struct{}{}
		if len(failed) > 0 {
			break
		}
		all.Add(1)
		go func() {
			defer all.Done()
			defer func() { <-turn }()
			if err := f(i); err != nil {
				select {
				case failed <- err:
				default:
				}
			}
		}()
	}
	all.Wait()
	select {
	case err := <-failed:
		return err
	default:
		return nil
	}
}
