package httpapi_test

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/fasthttp/websocket"

	"gatewright/api/httpapi"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
)

// behind makes the test a proxy, which may say for whom it asks.
func behind(proxies ...string) func(*httpapi.Config) {
	return func(cfg *httpapi.Config) {
		for _, p := range proxies {
			cfg.Proxies = append(cfg.Proxies, netip.MustParsePrefix(p))
		}
	}
}

// Requests that come drop by drop are ended, however many there are and
// however steadily they drip, and everybody else is served meanwhile.
func TestSlowRequests(t *testing.T) {
	y := newYardWith(t, &yard{configure: func(cfg *httpapi.Config) { cfg.ReadWithin = 300 * time.Millisecond }})
	heads := map[string]string{
		"head":                          "GET /api/v1/me HTTP/1.1\r\nHost: localhost\r\nX-Slow: ",
		"body":                          "POST /api/v1/auth/challenge HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100000\r\n\r\n{",
		"nothing behind the first line": "GET / HTTP/1.1\r\n",
	}
	ended := make(chan error)
	for _, head := range heads {
		for range 30 {
			c, err := net.Dial("tcp", strings.TrimPrefix(y.base, "http://"))
			y.must(err)
			defer c.Close()
			_, err = io.WriteString(c, head)
			y.must(err)
			drip := time.NewTicker(10 * time.Millisecond)
			defer drip.Stop()
			go func() {
				for range drip.C {
					if _, err := c.Write([]byte("a")); err != nil {
						return
					}
				}
			}()
			go func() { // until the server hangs up; it may say why before
				_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
				_, err := io.Copy(io.Discard, c)
				ended <- err
			}()
		}
	}
	if a := y.ask("GET", "/healthz", "", nil); a.status != http.StatusOK {
		t.Errorf("meanwhile: %s", a)
	}
	for range 30 * len(heads) {
		var timeout net.Error
		if err := <-ended; errors.As(err, &timeout) && timeout.Timeout() {
			t.Fatal("a request that drips is still open")
		}
	}
	if a := y.ask("GET", "/healthz", "", nil); a.status != http.StatusOK {
		t.Errorf("afterwards: %s", a)
	}
}

// many sends the same request again and again on one connection, as coming
// from an address, and gives the statuses it got and the last answer's header.
func (y *yard) many(n int, request, from string) (statuses map[int]int, last http.Header) {
	y.t.Helper()
	c, err := net.Dial("tcp", strings.TrimPrefix(y.base, "http://"))
	y.must(err)
	defer c.Close()
	y.must(c.SetDeadline(time.Now().Add(60 * time.Second)))
	r := bufio.NewReader(c)
	statuses = map[int]int{}
	for range n {
		_, err := io.WriteString(c, strings.Replace(request, "\r\n", "\r\nHost: localhost\r\nX-Forwarded-For: "+from+"\r\n", 1))
		y.must(err)
		res, err := http.ReadResponse(r, nil)
		y.must(err)
		_, err = io.Copy(io.Discard, res.Body)
		y.must(err)
		statuses[res.StatusCode]++
		last = res.Header
	}
	return statuses, last
}

// One address can ask only so often, is told when to come again, and is let in
// then. Another one does not notice, and nobody gets a fresh account by writing
// the header himself.
func TestRequestsOfAnAddress(t *testing.T) {
	const me = "GET /api/v1/me HTTP/1.1\r\n\r\n"
	challenge := "POST /api/v1/auth/challenge HTTP/1.1\r\nContent-Type: application/json\r\nContent-Length: 22\r\n\r\n" + `{"device":"d00000000"}`
	for _, c := range []struct {
		what, request string
		most, status  int
	}{
		{"requests", me, 3000, http.StatusUnauthorized},
		{"challenges", challenge, 1200, http.StatusOK}, // of a device that there is not: it gets one as well
	} {
		t.Run(c.what, func(t *testing.T) {
			y := newYardWith(t, &yard{configure: behind("127.0.0.1/32")})
			got, last := y.many(c.most+5, c.request, "6.6.6.6, 203.0.113.7")
			if got[c.status] != c.most || got[http.StatusTooManyRequests] != 5 {
				t.Fatalf("statuses %v", got)
			}
			wait, err := strconv.Atoi(last.Get("Retry-After"))
			if err != nil || wait < 1 || wait > 60 {
				t.Fatalf("Retry-After is %q", last.Get("Retry-After"))
			}
			y.checkHeaders("a request too many", last)
			if got, _ := y.many(1, c.request, "7.7.7.7, 203.0.113.7"); got[http.StatusTooManyRequests] != 1 {
				t.Errorf("with another first address: %v", got)
			}
			if got, _ := y.many(1, c.request, "203.0.113.8"); got[c.status] != 1 {
				t.Errorf("another address: %v", got)
			}
			if a := y.ask("GET", "/healthz", "", nil); a.status != http.StatusOK {
				t.Errorf("the server: %s", a)
			}
			y.pass(time.Duration(wait) * time.Second)
			if got, _ := y.many(1, c.request, "203.0.113.7"); got[c.status] != 1 {
				t.Errorf("after the wait: %v", got)
			}
		})
	}
}

// dialAs opens a socket as coming from an address.
func (y *yard) dialAs(path, from string) *websocket.Conn {
	y.t.Helper()
	c, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(y.base, "http")+path, http.Header{"X-Forwarded-For": {from}})
	y.must(err)
	y.must(c.SetReadDeadline(time.Now().Add(20 * time.Second)))
	return c
}

// Sockets are opened so many times a minute by one address. Those beyond are
// closed before a ticket is spent on them.
func TestOpensOfAnAddress(t *testing.T) {
	y := newYardWith(t, &yard{configure: behind("127.0.0.1/32")})
	h := y.enrol(y.site("brook").ID, rights.Crew, "Dan")
	for range 600 {
		c := y.dialAs("/sync/v1?ticket=none", "203.0.113.7")
		y.wantClosed("a wrong ticket", c, 4401)
		_ = c.Close()
	}
	ticket := h.ticket()
	c := y.dialAs(ticket, "203.0.113.7")
	y.wantClosed("one too many", c, hub.CloseTooMany)
	_ = c.Close()
	c = y.dialAs(ticket, "203.0.113.8")
	defer c.Close()
	y.greet(c, "peer-1") // with the same ticket
	y.pass(time.Second)
	again := y.dialAs(h.ticket(), "203.0.113.7")
	defer again.Close()
	y.greet(again, "peer-2")
}

// Twelve phones of a farm behind one address start at once, three times within
// a minute, and none of them is held up.
func TestFarmBehindOneAddress(t *testing.T) {
	y := newYardWith(t, &yard{configure: behind("127.0.0.1/32")})
	site := y.site("brook")
	var phones []*handset
	for i := range 12 {
		phones = append(phones, y.enrol(site.ID, rights.Crew, fmt.Sprint("Dan ", i)))
	}
	y.pass(time.Minute)
	for round := range 3 {
		for i, h := range phones {
			h.token()
			for _, path := range []string{"/documents", "/people", "/rules"} {
				y.ok("GET", h.at(path), h.access, nil, nil)
			}
			y.ok("GET", "/api/v1/me", h.access, nil, nil)
			c := y.dialAs(h.ticket(), "127.0.0.1") // as the requests are: the proxy's own address
			defer c.Close()
			y.greet(c, fmt.Sprintf("peer-%d-%d", round, i))
		}
	}
}
