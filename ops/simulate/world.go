package simulate

import (
	"bufio"
	"container/heap"
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"math/rand/v2"
	"strconv"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/memstore"
	"gatewright/sync/storetest"
)

const siteID = "6ba7b810-9dad-41d1-80b4-00c04fd430c8"

// world is a yard with its servers, its phones, and the true time.
type world struct {
	cfg Config
	p   profile
	rng *rand.Rand

	now   int64
	steps uint64
	queue queue
	seq   uint64
	busy  int // events under way that are not only for the passing of time
	calm  bool

	trace  hash.Hash
	traced *bufio.Writer

	mem      *memstore.Store
	store    *storetest.Faulty
	full     bool // the server's disk
	nodes    []*node
	lastConn hub.ConnID

	phones []*handset // in the order they were enrolled
	people int

	ledger  map[logbook.EntryID]*record
	order   []logbook.EntryID
	saved   int
	digests map[change.Hash][32]byte // of stored changes, at first sight
	forged  map[change.Hash]string   // what the hostile phone made, and what is wrong with it
	forgery map[logbook.EntryID]bool
	// Entries of forged changes that were believed while the restore window was open.
	believed map[logbook.EntryID]bool
	kept     map[change.Hash]string       // changes that the store said are held, and in which document
	absent   map[logbook.EntryID][]holder // acknowledged, lost by a restore from a backup, and who had it then

	backup       *memstore.Store
	restoreUntil int64
	restored     bool // a restore happened since everybody was level last
	opened       bool // a restore window was ever open
	unhinted     int  // hints that did not arrive

	heals  int
	frames int // in either direction
	lost   int
	gone   map[logbook.EntryID]bool
	count  map[string]int
}

// event is something that will happen.
type event struct {
	at   int64
	seq  uint64
	work bool // it must have happened before the yard is at rest
	what string
	who  int
	do   func()
}

type queue []*event

func (q queue) Len() int { return len(q) }
func (q queue) Less(i, j int) bool {
	if q[i].at != q[j].at {
		return q[i].at < q[j].at
	}
	return q[i].seq < q[j].seq
}
func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q *queue) Push(x any)   { *q = append(*q, x.(*event)) }
func (q *queue) Pop() any {
	old := *q
	last := old[len(old)-1]
	old[len(old)-1] = nil
	*q = old[:len(old)-1]
	return last
}

// after puts work in line, later in time for the passing of time alone.
func (w *world) after(ms int64, what string, who int, do func()) { w.put(ms, true, what, who, do) }

func (w *world) later(ms int64, what string, who int, do func()) { w.put(ms, false, what, who, do) }

func (w *world) put(ms int64, work bool, what string, who int, do func()) {
	w.seq++
	if work {
		w.busy++
	}
	heap.Push(&w.queue, &event{w.now + max(ms, 0), w.seq, work, what, who, do})
}

// step lets the next event happen.
func (w *world) step() {
	ev := heap.Pop(&w.queue).(*event)
	w.steps++
	w.now = ev.at
	if ev.work {
		w.busy--
	}
	w.note(ev.what, int64(ev.who), nil)
	ev.do()
}

// note adds to the trace.
func (w *world) note(what string, who int64, bytes []byte) {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], uint64(w.now))
	_, _ = w.traced.Write(b[:])
	_, _ = w.traced.WriteString(what)
	_, _ = w.traced.WriteString(strconv.FormatInt(who, 10))
	_, _ = w.traced.Write(bytes)
	if w.cfg.Log != nil {
		w.say(what, who, bytes)
	}
}

func newWorld(cfg Config) *world {
	w := &world{
		cfg: cfg, rng: rand.New(rand.NewPCG(cfg.Seed, 0x736f616b)),
		trace: sha256.New(), mem: memstore.New(),
		ledger: map[logbook.EntryID]*record{}, digests: map[change.Hash][32]byte{}, forged: map[change.Hash]string{},
		kept: map[change.Hash]string{}, forgery: map[logbook.EntryID]bool{}, believed: map[logbook.EntryID]bool{}, absent: map[logbook.EntryID][]holder{}, gone: map[logbook.EntryID]bool{},
		count: map[string]int{},
	}
	w.traced = bufio.NewWriterSize(w.trace, 1<<16)
	w.p = w.character()
	if cfg.tamper.profile != nil {
		cfg.tamper.profile(&w.p)
	}
	w.now = w.p.start
	w.mem.PutSite(siteID)
	w.wrap()
	return w
}

// wrap puts the faulty store around the one in memory.
func (w *world) wrap() {
	var inner hub.Store = w.mem
	if w.cfg.tamper.store != nil {
		inner = w.cfg.tamper.store(inner)
	}
	w.store = storetest.NewFaulty(inner)
}

// tamper breaks something on purpose, so that a test sees the simulation find it.
type tamper struct {
	store   func(hub.Store) hub.Store
	site    func(*hub.SiteConfig)
	event   func(hub.Event) hub.Event
	early   bool // the store's answer is passed on before it is there
	profile func(*profile)
	forget  bool // a phone's disk loses an entry now and then
}

// play is the whole run.
func (w *world) play() {
	w.enrolAll()
	for i := range w.p.nodes {
		w.nodes = append(w.nodes, &node{w: w, index: i})
		w.startNode(w.nodes[i])
	}
	w.firstPlan()
	w.heal()
	for _, h := range w.phones {
		w.act(h)
	}
	w.trouble()
	next := w.cfg.Entries / w.p.heals
	for w.saved < w.cfg.Entries {
		w.step()
		if w.saved >= next && w.saved < w.cfg.Entries {
			next += max(w.cfg.Entries/w.p.heals, 1)
			w.heal()
		}
	}
	w.heal()
	_ = w.traced.Flush()
}

// chance is true in so many of a million cases.
func (w *world) chance(ppm int) bool { return ppm > 0 && w.rng.IntN(1_000_000) < ppm }

// between draws a number from lo to hi, small ones more often.
func (w *world) between(lo, hi int64) int64 {
	if hi <= lo {
		return lo
	}
	x := w.rng.Float64()
	return lo + int64(x*x*x*float64(hi-lo))
}
