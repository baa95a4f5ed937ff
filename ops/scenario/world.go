package scenario

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"gatewright/clients/phonesim"
	"gatewright/schema/logbook"
	"gatewright/sync/admit"
	"gatewright/sync/hub"
)

const siteID = "6ba7b810-9dad-41d1-80b4-00c04fd430c8"

// World is a site with its server, its phones, and the true time.
type World struct {
	now  int64 // the server's clock is right
	site string
	loc  *time.Location

	newStore     func() (*keep, error)
	server       *server
	restoreUntil int64
	saved        *backup

	authors map[string]*admit.Author // by device id: what enrolment wrote
	phones  map[string]*handset      // by name
	names   map[string]string        // ids of people, devices and entries, to their names in the story
	claimed map[string]int64         // when a manager began to accept what is in quarantine, by its id
	noted   map[string]int64         // clock offsets last written to the log, by device
	drawn   map[string]*rand.ChaCha8
}

// handset is a phone in somebody's hand: switched on or off, with or without a
// link, its clock right or wrong.
type handset struct {
	name   string
	cfg    phonesim.Config
	disk   *phonesim.Disk
	phone  *phonesim.Phone
	skew   int64 // ms its clock is ahead
	online bool

	conn    hub.ConnID // 0 = none
	inbox   [][]byte
	closing *hub.Close // the server closes, once the inbox is read
	shut    string     // why the server does not let it in
	cut     int        // frames until the link breaks; 0 = it holds
}

// NewWorld is a world without a site. newStore makes an empty store.
func NewWorld(newStore func() (*keep, error)) *World {
	return &World{
		site: siteID, loc: time.UTC, newStore: newStore,
		authors: map[string]*admit.Author{}, phones: map[string]*handset{}, names: map[string]string{logbook.Server: logbook.Server},
		claimed: map[string]int64{}, noted: map[string]int64{}, drawn: map[string]*rand.ChaCha8{},
	}
}

// Close lets go of the store.
func (w *World) Close() error {
	if w.server == nil {
		return nil
	}
	return w.server.store.close()
}

// chance is a source of random bytes that belongs to a name.
func (w *World) chance(name string) func([]byte) {
	source := w.drawn[name]
	if source == nil {
		source = rand.NewChaCha8(sha256.Sum256([]byte(name)))
		w.drawn[name] = source
	}
	return func(b []byte) { _, _ = source.Read(b) }
}

// nine gives nine bytes that follow from a name, for its id.
func nine(name string) (out [9]byte) {
	sum := sha256.Sum256([]byte(name))
	copy(out[:], sum[:])
	return out
}

// Person gives the id of a person by the name in the story.
func (w *World) Person(name string) string {
	id := logbook.NewPersonID(nine("person " + name))
	w.names[id] = name
	return id
}

// StartSite makes the site with a plan.
func (w *World) StartSite(items []hub.PlanItem) error {
	if w.server != nil {
		return errors.New("there is a site already")
	}
	store, err := w.newStore()
	if err != nil {
		return err
	}
	if err := store.putSite(w.site); err != nil {
		return err
	}
	if w.server, err = w.startServer(store); err != nil {
		return err
	}
	return w.WritePlan(items)
}

// WritePlan has the server write items of the plan.
func (w *World) WritePlan(items []hub.PlanItem) error {
	return w.server.write(func(t hub.Token) hub.Event { return hub.WritePlan{Token: t, Items: items} })
}

// WriteEntry has the server write an entry of its own.
func (w *World) WriteEntry(e logbook.Entry) error {
	var random [10]byte
	w.chance("server")(random[:])
	if e.ID = logbook.NewEntryID(w.now, random); e.ID <= e.Of {
		e.ID = logbook.NewEntryID(e.Of.Time()+1, random)
	}
	e.At, e.By, e.Dev = w.now, logbook.Server, logbook.Server
	raw, err := e.Encode()
	if err != nil {
		return err
	}
	return w.server.write(func(t hub.Token) hub.Event {
		return hub.Write{Token: t, Doc: e.ID.Document(), Entries: [][]byte{raw}}
	})
}

// Enrol puts a person on a phone, which is a new one unless it is known.
func (w *World) Enrol(phone, person, role string, relay bool) error {
	device := logbook.NewDeviceID(nine("device " + phone))
	a := w.authors[device]
	if a == nil {
		a = &admit.Author{Device: device}
		w.authors[device] = a
		w.names[device] = phone
		h := &handset{name: phone, disk: phonesim.NewDisk(), online: true}
		h.cfg = phonesim.Config{Site: w.site, Device: device,
			Clock: func() int64 { return w.now + h.skew }, Random: w.chance("phone " + phone)}
		w.phones[phone] = h
		if err := h.start(); err != nil {
			return err
		}
	}
	a.Relay = a.Relay || relay
	if person != "" {
		a.People = append(a.People, admit.Person{ID: w.Person(person), Role: admit.Role(role), From: w.now})
		slices.SortStableFunc(a.People, func(x, y admit.Person) int { return strings.Compare(x.ID, y.ID) })
	}
	return w.server.store.putAuthor(w.site, *a)
}

// EndPerson ends a person's access at the site.
func (w *World) EndPerson(name string) error {
	id := w.Person(name)
	ended := false
	for _, device := range slices.Sorted(maps.Keys(w.authors)) {
		a := w.authors[device]
		for i := range a.People {
			if a.People[i].ID == id {
				a.People[i].Until, ended = w.now, true
			}
		}
		if err := w.server.store.putAuthor(w.site, *a); err != nil {
			return err
		}
	}
	if !ended {
		return fmt.Errorf("%s is on no phone", name)
	}
	w.server.step(hub.Drop{Person: id})
	w.hangUp()
	return nil
}

// Revoke revokes a phone. The hub is told, unless told is false: then the row
// is in the database, and nothing else says so.
func (w *World) Revoke(phone string, told bool) error {
	h := w.phones[phone]
	if h == nil {
		return fmt.Errorf("there is no phone %s", phone)
	}
	a := w.authors[h.cfg.Device]
	a.Revoked = w.now
	if err := w.server.store.putAuthor(w.site, *a); err != nil {
		return err
	}
	if told {
		w.server.step(hub.Drop{Device: a.Device})
		w.hangUp()
	}
	return nil
}

// BackUp remembers what the database holds.
func (w *World) BackUp() (err error) {
	w.saved, err = w.server.backUp()
	return err
}

// Restore starts the server anew from the backup: what came since is gone.
// People and devices are those of today: they are enrolled again by hand.
func (w *World) Restore() error {
	if w.saved == nil {
		return errors.New("there is no backup")
	}
	if err := w.server.store.close(); err != nil {
		return err
	}
	store, err := w.newStore()
	if err != nil {
		return err
	}
	if err := store.putSite(w.site); err != nil {
		return err
	}
	for _, device := range slices.Sorted(maps.Keys(w.authors)) {
		if err := store.putAuthor(w.site, *w.authors[device]); err != nil {
			return err
		}
	}
	if err := w.saved.into(store); err != nil {
		return err
	}
	return w.restartServer(store)
}

// RestartServer starts the server anew over the same store.
func (w *World) RestartServer() error { return w.restartServer(w.server.store) }

func (w *World) restartServer(store *keep) (err error) {
	for _, h := range w.phones {
		h.lose()
	}
	before := w.server
	if w.server, err = w.startServer(store); err != nil {
		return err
	}
	w.server.lastConn, w.server.quarantine = before.lastConn, before.quarantine
	return nil
}

// OpenRestore opens the restore window until an instant.
func (w *World) OpenRestore(until int64) {
	w.restoreUntil = until
	w.server.step(hub.Restore{Until: until})
}

// start switches a phone on.
func (h *handset) start() (err error) {
	h.phone, err = phonesim.Open(h.cfg, h.disk)
	return err
}

// lose takes the link away from both ends' point of view.
func (h *handset) lose() {
	h.conn, h.inbox, h.closing = 0, nil, nil
	h.phone.Disconnect()
}

// hangUp ends the connections whose phones are off, without a link or done.
func (w *World) hangUp() {
	for _, h := range w.inOrder() {
		if h.conn == 0 || h.online && h.phone.Connected() && (h.closing == nil || len(h.inbox) > 0) {
			continue
		}
		delete(w.server.conns, h.conn)
		w.server.step(hub.Closed{Conn: h.conn})
		h.lose()
	}
}

func (w *World) inOrder() []*handset {
	var out []*handset
	for _, name := range slices.Sorted(maps.Keys(w.phones)) {
		out = append(out, w.phones[name])
	}
	return out
}

// Sync lets all phones that have a link talk with the server until all are
// silent, and a moment pass in which they write to their disks. It fails when
// they do not fall silent.
func (w *World) Sync() error {
	const most = 2000
	for range most {
		busy := false
		for _, h := range w.inOrder() {
			did, err := w.turn(h)
			if err != nil {
				return fmt.Errorf("%s: %w", h.name, err)
			}
			busy = busy || did
		}
		if !busy {
			if len(w.server.trouble) > 0 {
				return fmt.Errorf("the server reports trouble: %s", strings.Join(w.server.trouble, "; "))
			}
			return w.flush()
		}
	}
	return fmt.Errorf("phones and server do not fall silent within %d rounds", most)
}

func (w *World) flush() error {
	for _, h := range w.inOrder() {
		if err := h.phone.Flush(); err != nil && !errors.Is(err, phonesim.ErrOff) {
			return fmt.Errorf("%s: %w", h.name, err)
		}
	}
	return nil
}

// turn lets one phone send what it has to send and read one frame.
func (w *World) turn(h *handset) (busy bool, err error) {
	if h.conn == 0 {
		if !h.online || !h.phone.On() || h.shut != "" {
			return false, nil
		}
		return true, w.connect(h)
	}
	for _, frame := range h.phone.Outgoing() {
		busy = true
		if w.broken(h) {
			return true, nil
		}
		w.server.step(hub.Frame{Conn: h.conn, Bytes: frame})
	}
	if len(h.inbox) > 0 {
		busy = true
		frame := h.inbox[0]
		h.inbox = h.inbox[1:]
		if w.broken(h) {
			return true, nil
		}
		if err := h.phone.Receive(frame); err != nil && !errors.Is(err, phonesim.ErrOff) && h.closing == nil {
			return true, err
		}
	}
	if c := h.closing; c != nil && c.Code != hub.CloseRevoked && c.Code != hub.CloseSuperseded && c.Code != hub.CloseTryLater {
		return true, fmt.Errorf("the server closes: %d %s", c.Code, c.Reason)
	}
	before := h.conn
	w.hangUp()
	return busy || h.conn != before, nil
}

// broken counts a frame on a link that is to break, and breaks it.
func (w *World) broken(h *handset) bool {
	if h.cut == 0 {
		return false
	}
	if h.cut--; h.cut > 0 {
		return false
	}
	h.online = false
	w.hangUp()
	return true
}

// clockDoubt is the offset (ms) from which a phone's clock is worth an entry.
const clockDoubt = 120_000

// connect is what the API does before a socket is opened: it looks at the
// device, tells it the time, and notes a clock that is in doubt, or was.
func (w *World) connect(h *handset) error {
	author, ok, err := w.server.store.AuthorOf(context.Background(), w.site, h.cfg.Device)
	if err != nil {
		return err
	}
	if !ok || author.Revoked != 0 {
		h.shut = "the device is revoked"
		return nil
	}
	here := func(p admit.Person) bool { return p.From <= w.now && (p.Until == 0 || w.now < p.Until) }
	if !slices.ContainsFunc(author.People, here) && !author.Relay {
		h.shut = "nobody on the device has access"
		return nil
	}
	offset := w.now - h.cfg.Clock()
	if doubt := abs(offset) >= clockDoubt; doubt != (abs(w.noted[author.Device]) >= clockDoubt) {
		if err := w.WriteEntry(logbook.Entry{Kind: logbook.Clock, Device: author.Device, Offset: offset}); err != nil {
			return err
		}
		w.noted[author.Device] = offset
	}
	if err := h.phone.Connect(w.now); err != nil {
		if errors.Is(err, phonesim.ErrOff) {
			return nil
		}
		return err
	}
	s := w.server
	s.lastConn++
	h.conn = s.lastConn
	s.conns[h.conn] = h
	s.step(hub.Opened{Conn: h.conn, Identity: hub.Identity{Site: w.site, Device: author.Device, Author: author}})
	return nil
}

func abs(x int64) int64 {
	if x < 0 {
		return -x
	}
	return x
}
