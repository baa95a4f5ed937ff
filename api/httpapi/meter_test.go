package httpapi

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"testing"
	"time"
)

func TestMeter(t *testing.T) {
	now := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	m := newMeter(func() time.Time { return now })
	a, b := netip.MustParseAddr("203.0.113.7"), netip.MustParseAddr("203.0.113.8")
	for i := range triesPerMinute {
		if wait := m.take(tries, a); wait != 0 {
			t.Fatalf("try %d has to wait %v", i, wait)
		}
	}
	const each = time.Minute / triesPerMinute
	if wait := m.take(tries, a); wait < each-time.Millisecond || wait > each {
		t.Errorf("one too many waits %v, want %v", wait, each)
	}
	if m.take(tries, b) != 0 || m.take(requests, a) != 0 {
		t.Error("another address or another thing was counted with it")
	}
	now = now.Add(each + time.Millisecond)
	if m.take(tries, a) != 0 {
		t.Error("after the wait it is not let in")
	}
	if m.take(tries, a) == 0 {
		t.Error("two were let in after the wait for one")
	}
	now = now.Add(-time.Hour) // a clock that is set back gives nothing and takes nothing
	if m.take(tries, a) == 0 {
		t.Error("let in by a clock that was set back")
	}
	now = now.Add(3 * time.Hour)
	for i := range triesPerMinute {
		if m.take(tries, a) != 0 {
			t.Fatalf("hours later, try %d is turned away", i)
		}
	}
	if m.take(tries, a) == 0 {
		t.Error("hours later there is more than a minute's worth")
	}
}

// However many addresses come, what is remembered is bounded, and those that
// are being held back are not the first to be forgotten.
func TestMeterIsBounded(t *testing.T) {
	now := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	m := newMeter(func() time.Time { return now })
	m.most = 1000
	bad := netip.MustParseAddr("203.0.113.7")
	for range triesPerMinute {
		m.take(tries, bad)
	}
	for i := range 50_000 {
		now = now.Add(time.Millisecond)
		m.take(tries, netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)}))
		m.take(tries, bad)
		if len(m.buckets) > m.most {
			t.Fatalf("%d are remembered", len(m.buckets))
		}
	}
	if m.take(tries, bad) == 0 {
		t.Error("who tries all the time was forgotten by those who came once")
	}
}

func TestSocketsOfAnAddress(t *testing.T) {
	m := newMeter(time.Now)
	a, b := netip.MustParseAddr("203.0.113.7"), netip.MustParseAddr("203.0.113.8")
	for i := range socketsPerAddress {
		if !m.enter(a) {
			t.Fatalf("socket %d was turned away", i)
		}
	}
	if m.enter(a) || !m.enter(b) {
		t.Error("one too many was let in, or another address turned away")
	}
	m.leave(a)
	if !m.enter(a) || m.enter(a) {
		t.Error("one that left does not make room for one")
	}
	for range socketsPerAddress {
		m.leave(a)
	}
	m.leave(b)
	if len(m.sockets) != 0 {
		t.Errorf("%v is kept of sockets that are gone", m.sockets)
	}
}

// X-Forwarded-For, right to left: only named proxies are believed, and only
// about who stood before them.
func TestAddresses(t *testing.T) {
	for _, c := range []struct {
		proxies, peer string
		forwarded     []string
		want          string
		counts        bool
	}{
		{"", "203.0.113.7", nil, "203.0.113.7", true},
		{"", "203.0.113.7", []string{"198.51.100.1"}, "203.0.113.7", true}, // nobody was named
		{"", "127.0.0.1", []string{"198.51.100.1"}, "127.0.0.1", false},
		{"", "::1", nil, "::", false},
		{"10.0.0.0/8", "203.0.113.7", []string{"198.51.100.1"}, "203.0.113.7", true}, // not a proxy
		{"10.0.0.0/8", "10.0.0.2", []string{"198.51.100.1"}, "198.51.100.1", true},
		{"10.0.0.0/8", "10.0.0.2", []string{"6.6.6.6", "198.51.100.1"}, "198.51.100.1", true}, // the client wrote the first
		{"10.0.0.0/8", "10.0.0.2", []string{"6.6.6.6", "198.51.100.1", "10.0.0.9"}, "198.51.100.1", true},
		{"10.0.0.0/8", "10.0.0.2", []string{"10.0.0.9"}, "10.0.0.9", true}, // a request of the proxy itself
		{"10.0.0.0/8", "10.0.0.2", nil, "10.0.0.2", true},
		{"10.0.0.0/8", "10.0.0.2", []string{"198.51.100.1", "rubbish"}, "10.0.0.2", true},
		{"10.0.0.0/8", "10.0.0.2", []string{""}, "10.0.0.2", true},
		{"10.0.0.0/8", "10.0.0.2", []string{"198.51.100.1:443"}, "10.0.0.2", true}, // no address
		{"127.0.0.1/32", "127.0.0.1", []string{"2001:db8:1:2:3:4:5:6"}, "2001:db8:1:2::", true},
		{"127.0.0.1/32", "127.0.0.1", []string{"::ffff:198.51.100.1"}, "198.51.100.1", true},
		{"127.0.0.1/32", "::ffff:127.0.0.1", []string{"198.51.100.1"}, "198.51.100.1", true},
	} {
		var a addresses
		if c.proxies != "" {
			a.proxies = []netip.Prefix{netip.MustParsePrefix(c.proxies)}
		}
		got, counts := a.from(net.ParseIP(c.peer), c.forwarded)
		if counts != c.counts || counts && got.String() != c.want {
			t.Errorf("%+v: %v, %v", c, got, counts)
		}
	}
	if _, counts := (addresses{}).from(nil, nil); counts {
		t.Error("no address counts")
	}
}

// Of one address only so many connections are open at once; the next is closed
// unread, and one that ends makes room.
func TestGuard(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	g := Guard(l, []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}).(*guard)
	g.most = 3
	accepted := make(chan net.Conn)
	go func() {
		for {
			c, err := g.Accept()
			if err != nil {
				return
			}
			accepted <- c
		}
	}()
	dial := func() net.Conn {
		t.Helper()
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		return c
	}
	var open []net.Conn
	for range 3 {
		dial()
		open = append(open, <-accepted)
	}
	over := dial()
	_ = over.SetReadDeadline(time.Now().Add(10 * time.Second))
	if _, err := over.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("a connection too many was not closed: %v", err)
	}
	_ = open[0].Close()
	_ = open[0].Close() // twice counts once
	dial()
	<-accepted
	g.mu.Lock()
	n := fmt.Sprint(g.open)
	g.mu.Unlock()
	if n != "map[127.0.0.1:3]" {
		t.Errorf("open are %s", n)
	}
}
