package httpapi

import (
	"net"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/gofiber/fiber/v2"

	"gatewright/api/accounts"
	"gatewright/api/problem"
)

// What one address may do. Twelve phones of a farm behind one address of its router are the measure. When all of
// them start at once they ask for a challenge, a token, a ticket and four lists each: 84 requests. A stock client
// tries every five seconds and never slower: twelve of them open 144 sockets a minute and, with a token for each,
// ask for 288 challenges and tokens. A village behind one address of its provider is several such farms.
const (
	connectionsPerAddress = 512  // open TCP connections, idle ones and sockets included
	socketsPerAddress     = 256  // of them, sockets
	opensPerMinute        = 600  // sockets opened
	requestsPerMinute     = 3000 // requests to the API
	proofsPerMinute       = 1200 // challenges and tokens, which cost a signature or a write each
	triesPerMinute        = 120  // codes that can be guessed: invitations looked at or spent

	// addressesKept bounds what is remembered: about 100 bytes for each.
	addressesKept = 50_000
)

// kind is what is counted.
type kind uint8

const (
	requests kind = iota
	proofs
	tries
	opens
)

var perMinute = [...]int{requests: requestsPerMinute, proofs: proofsPerMinute, tries: triesPerMinute, opens: opensPerMinute}

type counted struct {
	what kind
	from netip.Addr
}

// bucket holds what may still be done; it fills evenly over a minute.
type bucket struct {
	left float64
	at   time.Time
}

// meter counts what addresses do. The memory it takes is bounded: when it is full, addresses that may do all again
// are forgotten, and when that makes no room, others are, who then begin anew.
type meter struct {
	now  func() time.Time
	most int

	mu      sync.Mutex
	buckets map[counted]bucket
	sockets map[netip.Addr]int
}

func newMeter(now func() time.Time) *meter {
	return &meter{now: now, most: addressesKept, buckets: map[counted]bucket{}, sockets: map[netip.Addr]int{}}
}

func (b bucket) filled(now time.Time, most float64) bucket {
	b.left = min(most, b.left+max(0, now.Sub(b.at).Minutes())*most)
	b.at = now
	return b
}

// take counts one thing; when the address has done too many it says how long to wait.
func (m *meter) take(what kind, from netip.Addr) (wait time.Duration) {
	most := float64(perMinute[what])
	m.mu.Lock()
	defer m.mu.Unlock()
	key, now := counted{what, from}, m.now()
	b, there := m.buckets[key]
	if !there {
		if len(m.buckets) >= m.most {
			m.forget(now)
		}
		b = bucket{most, now}
	}
	if b = b.filled(now, most); b.left < 1 {
		wait = time.Duration((1 - b.left) / most * float64(time.Minute))
		b.left = max(b.left, 0)
	} else {
		b.left--
	}
	m.buckets[key] = b
	return wait
}

func (m *meter) forget(now time.Time) {
	for key, b := range m.buckets {
		if most := float64(perMinute[key.what]); b.filled(now, most).left >= most {
			delete(m.buckets, key)
		}
	}
	for key := range m.buckets {
		if len(m.buckets) <= m.most*3/4 {
			return
		}
		delete(m.buckets, key)
	}
}

// enter counts a socket and reports whether the address may have it; leave must follow when it may.
func (m *meter) enter(from netip.Addr) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.sockets[from] >= socketsPerAddress {
		return false
	}
	m.sockets[from]++
	return true
}

func (m *meter) leave(from netip.Addr) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.sockets[from]--; m.sockets[from] <= 0 {
		delete(m.sockets, from)
	}
}

// addresses tells whom a request is from.
type addresses struct{ proxies []netip.Prefix }

// from gives the address that a request counts for, and false when it counts for none: from this machine itself,
// where a proxy that nobody told us of may speak for everybody. X-Forwarded-For is believed from the proxies that
// were named and from nobody else, and of it the last address that is not a proxy's: whatever stands before that,
// the client may have written itself.
func (a addresses) from(peer net.IP, forwarded []string) (netip.Addr, bool) {
	at, ok := netip.AddrFromSlice(peer)
	if !ok {
		return netip.Addr{}, false
	}
	at = at.Unmap()
	for i := len(forwarded) - 1; i >= 0 && a.isProxy(at); i-- {
		next, err := netip.ParseAddr(forwarded[i])
		if err != nil {
			break
		}
		at = next.Unmap().WithZone("")
	}
	return network(at), len(a.proxies) > 0 || !at.IsLoopback()
}

func (a addresses) isProxy(at netip.Addr) bool {
	for _, p := range a.proxies {
		if p.Contains(at) {
			return true
		}
	}
	return false
}

// network is what one customer of a provider has: a whole /64 of IPv6, one address of IPv4.
func network(a netip.Addr) netip.Addr {
	if a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.Addr()
		}
	}
	return a
}

// sender gives the address that a request counts for.
func (s *Server) sender(c *fiber.Ctx) (netip.Addr, bool) {
	var forwarded []string
	// All lines of the header, in order: a proxy may add one of its own behind the client's.
	for _, line := range c.Request().Header.PeekAll(fiber.HeaderXForwardedFor) {
		for part := range strings.SplitSeq(string(line), ",") {
			forwarded = append(forwarded, strings.TrimSpace(part))
		}
	}
	peer := c.Context().RemoteIP()
	if at, ok := netip.AddrFromSlice(peer); ok && len(forwarded) > 0 && !s.addresses.isProxy(at.Unmap()) && (peer.IsPrivate() || peer.IsLoopback()) {
		s.warned.Do(func() {
			s.log.Warn("a proxy that was not named with --proxy: limits count it and not those it speaks for", "address", at.Unmap().String())
		})
	}
	return s.addresses.from(peer, forwarded)
}

// limited turns an address away that asks too much. Codes that can be guessed are counted for this machine as well.
func (s *Server) limited(what kind, sentence string) fiber.Handler {
	return func(c *fiber.Ctx) error {
		from, counts := s.sender(c)
		if !counts && what != tries {
			return c.Next()
		}
		if wait := s.meter.take(what, from); wait > 0 {
			c.Set(fiber.HeaderRetryAfter, strconv.Itoa(int(wait.Seconds())+1))
			return problem.New(problem.TooMany, "", sentence)
		}
		return c.Next()
	}
}

// Codes that are typed hold 40 bits for ten minutes. So many wrong ones are let through in that time, from wherever
// they come; then all typed codes wait, and links do not.
const (
	wrongCodes  = 20
	wrongWithin = accounts.ShortLife
)

// typed counts wrong typed codes.
type typed struct {
	mu    sync.Mutex
	wrong []time.Time
}

// wait is how long typed codes have to wait; 0 = not.
func (t *typed) wait(now time.Time) time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	for len(t.wrong) > 0 && now.Sub(t.wrong[0]) >= wrongWithin {
		t.wrong = t.wrong[1:]
	}
	if len(t.wrong) < wrongCodes {
		return 0
	}
	return wrongWithin - now.Sub(t.wrong[0])
}

func (t *typed) miss(now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.wrong = append(t.wrong, now)
}

// guess does what a code is for, within what guessing may cost.
func (s *Server) guess(code string, do func() error) error {
	if !accounts.Short(code) {
		return do()
	}
	if wait := s.typed.wait(s.now()); wait > 0 {
		return problem.New(problem.TooMany, "code", "Too many wrong codes were typed: open the link instead, or wait "+waiting(wait)+".")
	}
	err := do()
	if err != nil && problem.From(err).Kind == problem.NotFound {
		s.typed.miss(s.now())
	}
	return err
}

// limits puts the limits before the routes.
func (s *Server) limits(app *fiber.App) {
	app.Use("/api/", s.limited(requests, "Too many requests from this address: wait a moment."))
	for _, path := range []string{"/api/v1/auth/challenge", "/api/v1/auth/token"} {
		app.Use(path, s.limited(proofs, "Too many tokens were asked for from this address: wait a moment."))
	}
	for _, path := range []string{"/api/v1/join", "/api/v1/invitations/look", "/api/v1/auth/passphrase", "/api/v1/auth/recovery", "/api/v1/auth/passkey"} {
		app.Use(path, s.limited(tries, "Too many tries from this address: wait a minute."))
	}
}

// Guard bounds the open connections of one address. Those beyond are closed before anything is read, so that
// nobody who opens them slowly and says little keeps others out. Proxies and this machine are not counted: they
// speak for many.
func Guard(l net.Listener, proxies []netip.Prefix) net.Listener {
	return &guard{Listener: l, addresses: addresses{proxies}, open: map[netip.Addr]int{}, most: connectionsPerAddress}
}

type guard struct {
	net.Listener
	addresses addresses
	most      int

	mu   sync.Mutex
	open map[netip.Addr]int
}

func (g *guard) Accept() (net.Conn, error) {
	for {
		c, err := g.Listener.Accept()
		if err != nil {
			return nil, err
		}
		tcp, ok := c.RemoteAddr().(*net.TCPAddr)
		if !ok {
			return c, nil
		}
		at, _ := netip.AddrFromSlice(tcp.IP)
		if from, counts := g.addresses.from(tcp.IP, nil); counts && !g.addresses.isProxy(at.Unmap()) {
			if !g.enter(from) {
				_ = c.Close()
				continue
			}
			return &countedConn{Conn: c, leave: sync.OnceFunc(func() { g.leave(from) })}, nil
		}
		return c, nil
	}
}

func (g *guard) enter(from netip.Addr) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.open[from] >= g.most {
		return false
	}
	g.open[from]++
	return true
}

func (g *guard) leave(from netip.Addr) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.open[from]--; g.open[from] <= 0 {
		delete(g.open, from)
	}
}

// countedConn is a counted connection.
type countedConn struct {
	net.Conn
	leave func()
}

func (c *countedConn) Close() error {
	c.leave()
	return c.Conn.Close()
}
