package httpapi

import (
	"context"
	"errors"
	"io"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	fastws "github.com/fasthttp/websocket"
	"github.com/gofiber/contrib/websocket"
	"github.com/gofiber/fiber/v2"

	"gatewright/api/accounts"
	"gatewright/api/problem"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

const (
	pingEvery   = 5 * time.Second
	pongWithin  = 12 * time.Second // two pings and some
	writeWithin = 10 * time.Second

	lingerWithin = time.Second
	lingerBytes  = 4 * wire.MaxFrame

	localSender = "sender" // the address that a socket counts for

	closeTicket = 4401
	closeDevice = 4403
)

// socket upgrades, then looks at the ticket: a refusal before the upgrade is silence in a browser and an uncaught
// exception in Node, so it is said by a close code.
func (s *Server) socket() fiber.Handler {
	upgrade := websocket.New(func(c *websocket.Conn) { s.serveSocket(c) },
		websocket.Config{HandshakeTimeout: 10 * time.Second, WriteBufferPool: new(sync.Pool), RecoverHandler: func(c *websocket.Conn) {
			if r := recover(); r != nil {
				s.log.Error("socket failed", "panic", r)
				_ = c.Close()
			}
		}})
	return func(c *fiber.Ctx) error {
		if !websocket.IsWebSocketUpgrade(c) {
			s.setHeaders(c)
			return fiber.ErrUpgradeRequired
		}
		if !ownOrigin(c.Get(fiber.HeaderOrigin), s.origin, string(c.Request().Host())) {
			s.setHeaders(c)
			return fiber.NewError(fiber.StatusForbidden, "Origin is not this server's")
		}
		if from, counts := s.sender(c); counts {
			c.Locals(localSender, from)
		}
		return upgrade(c)
	}
}

// serveSocket spends a phone's whole connection waiting in the hub. All else is done on other stacks, for this one
// would keep the size that a look-up in the database needs.
func (s *Server) serveSocket(c *websocket.Conn) {
	conn := &conn{ws: c.Conn, turnedAway: s.turnedAway, began: time.Now()}
	defer conn.linger()
	c.SetReadLimit(int64(wire.MaxFrame))
	if from, counts := c.Locals(localSender).(netip.Addr); counts {
		// Said by a close code as well, and before a ticket is spent on it.
		if s.meter.take(opens, from) > 0 || !s.meter.enter(from) {
			_ = conn.Close(hub.CloseTooMany, "too many connections from this address")
			return
		}
		defer s.meter.leave(from)
	}
	admitted := make(chan *hub.Identity, 1)
	go func() { admitted <- s.admitSocket(conn, c.Query("ticket")) }()
	if id := <-admitted; id != nil {
		defer conn.keepAlive()()
		s.serveHub(id, conn)
	}
}

//go:noinline
func (s *Server) serveHub(id *hub.Identity, conn *conn) {
	if err := s.hub.Serve(context.Background(), *id, conn); err != nil && !errors.Is(err, hub.ErrClosed) {
		s.log.Info("socket ended", "site", id.Site, "device", id.Device, "error", err)
	}
}

// admitSocket spends the ticket. A connection that is not let in is closed, and nil.
func (s *Server) admitSocket(conn *conn, secret string) *hub.Identity {
	ctx := context.Background()
	ticket, _, identity, err := s.holder(ctx, secret)
	if err != nil {
		_ = conn.Close(s.turnedAway(err))
		return nil
	}
	if ticket.Reusable {
		conn.bind = func(sender string) error { return s.accounts.BindTicket(ctx, secret, sender) }
	}
	return &identity
}

// holder spends a ticket and says whose it is.
func (s *Server) holder(ctx context.Context, secret string) (t accounts.Ticket, d accounts.Device, id hub.Identity, err error) {
	if t, err = s.accounts.UseTicket(ctx, secret); err != nil {
		return t, d, id, err
	}
	if d, err = s.accounts.Device(ctx, t.Device); err != nil {
		return t, d, id, err
	}
	id, err = s.identity(ctx, d, t.Sender)
	return t, d, id, err
}

// turnedAway gives the close code for a holder that was not let in. Only what the ticket or the device is to blame
// for is said to be so: when the database fails, a phone has to come again and not to ask for its place anew.
func (s *Server) turnedAway(err error) (code int, reason string) {
	switch e := public(err); {
	case e.Kind == problem.Forbidden:
		return closeDevice, "device"
	case e.Kind != problem.Internal && e.Kind != problem.Unavailable:
		return closeTicket, "ticket"
	}
	s.log.Error("socket not opened", "error", err)
	if errors.Is(err, hub.ErrFull) {
		return hub.CloseTryLater, "the server's disk is full; try again later"
	}
	return hub.CloseTryLater, "the server could not read or write; try again later"
}

// conn is a socket as the hub sees it: whole frames in and out.
type conn struct {
	ws      *fastws.Conn // not the wrapper, which goes back to its pool when the handler ends
	writing sync.Mutex
	bind    func(sender string) error // a reusable ticket's first join; nil afterwards

	turnedAway func(error) (code int, reason string)

	began    time.Time
	answered atomic.Int64 // when the last pong came, ns since it began
}

var _ hub.Conn = (*conn)(nil)

func (c *conn) ReadFrame() ([]byte, error) {
	for {
		kind, frame, err := c.ws.ReadMessage()
		if err != nil {
			return nil, err
		}
		if kind != websocket.BinaryMessage {
			continue // the protocol has no text frames; one does no harm
		}
		if c.bind != nil {
			bound := make(chan error, 1)
			go func() { bound <- c.bindSender(frame) }()
			if err := <-bound; err != nil {
				code, reason := c.turnedAway(err)
				_ = c.Close(code, reason)
				return nil, err
			}
		}
		return frame, nil
	}
}

func (c *conn) bindSender(frame []byte) error {
	m, err := wire.Decode(frame)
	if err != nil {
		return nil // the hub says what is wrong with it
	}
	if join, ok := m.(wire.Join); ok {
		if err := c.bind(join.SenderID); err != nil {
			return err
		}
		c.bind = nil
	}
	return nil
}

func (c *conn) WriteFrame(frame []byte) error {
	c.writing.Lock()
	defer c.writing.Unlock()
	if err := c.ws.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil {
		return err
	}
	return c.ws.WriteMessage(websocket.BinaryMessage, frame)
}

func (c *conn) Close(code int, reason string) error {
	message := websocket.FormatCloseMessage(code, reason)
	_ = c.ws.WriteControl(websocket.CloseMessage, message, time.Now().Add(writeWithin))
	// Closing a hijacked connection does nothing before its handler returns: it is the deadline that ends a read.
	return c.ws.SetReadDeadline(time.Now())
}

// linger reads on for a moment at the end: a connection that is closed with bytes unread is reset, and the peer
// may lose the close code that is under way to it.
func (c *conn) linger() {
	raw := c.ws.NetConn()
	if raw.SetReadDeadline(time.Now().Add(lingerWithin)) == nil {
		_, _ = io.Copy(io.Discard, io.LimitReader(raw, lingerBytes))
	}
}

// keepAlive pings until stopped; a peer that answers none of two pings is gone. A timer does it and no goroutine: ten
// thousand silent phones are ten thousand stacks otherwise. An answer is only noted, which needs less of the stack that
// reads than a new deadline would.
func (c *conn) keepAlive() (stop func()) {
	answered := func() { c.answered.Store(int64(time.Since(c.began))) }
	answered()
	c.ws.SetPongHandler(func(string) error {
		answered()
		return nil
	})
	var ping *time.Timer
	var timing sync.Mutex
	stopped := false
	timing.Lock()
	defer timing.Unlock()
	ping = time.AfterFunc(pingEvery, func() {
		silent := time.Since(c.began) - time.Duration(c.answered.Load())
		if silent > pongWithin || c.ws.WriteControl(websocket.PingMessage, nil, time.Now().Add(writeWithin)) != nil {
			_ = c.ws.SetReadDeadline(time.Now()) // ends the read, and with it the connection
			return
		}
		timing.Lock()
		defer timing.Unlock()
		if !stopped {
			ping.Reset(pingEvery)
		}
	})
	return func() {
		timing.Lock()
		defer timing.Unlock()
		stopped = true
		ping.Stop()
	}
}
