package main

import (
	"context"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/fasthttp/websocket"
)

// traffic counts the bytes of TCP payload that a fleet's sockets carry.
type traffic struct{ up, down atomic.Int64 }

// counted is a connection that counts.
type counted struct {
	net.Conn
	t *traffic
}

func (c counted) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.t.down.Add(int64(n))
	return n, err
}

func (c counted) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	c.t.up.Add(int64(n))
	return n, err
}

// socket is a WebSocket of a client. Any goroutine may write; one reads. Pings are answered while it reads.
type socket struct {
	ws      *websocket.Conn
	writing sync.Mutex
	closed  atomic.Bool
}

func dial(ctx context.Context, t *traffic, address string) (*socket, error) {
	d := websocket.Dialer{
		NetDialContext: func(ctx context.Context, network, addr string) (net.Conn, error) {
			var nd net.Dialer
			c, err := nd.DialContext(ctx, network, addr)
			if err != nil {
				return nil, err
			}
			return counted{c, t}, nil
		},
		ReadBufferSize: 1024, WriteBufferSize: 1024, HandshakeTimeout: 60 * time.Second,
	}
	ws, _, err := d.DialContext(ctx, address, nil)
	if err != nil {
		return nil, err
	}
	return &socket{ws: ws}, nil
}

func (s *socket) write(frame []byte) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	return s.ws.WriteMessage(websocket.BinaryMessage, frame)
}

func (s *socket) read() ([]byte, error) {
	_, frame, err := s.ws.ReadMessage()
	return frame, err
}

// close says goodbye and ends the connection; what read gives afterwards is of no interest.
func (s *socket) close() {
	if s.closed.Swap(true) {
		return
	}
	message := websocket.FormatCloseMessage(websocket.CloseNormalClosure, "")
	_ = s.ws.WriteControl(websocket.CloseMessage, message, time.Now().Add(time.Second))
	_ = s.ws.Close()
}
