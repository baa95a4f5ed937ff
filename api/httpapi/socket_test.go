package httpapi_test

import (
	"errors"
	"io"
	"net/http"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/fasthttp/websocket"

	"gatewright/api/accounts"
	"gatewright/schema/rights"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

func (y *yard) dial(path, origin string) (*websocket.Conn, *http.Response, error) {
	y.t.Helper()
	header := http.Header{}
	if origin != "" {
		header.Set("Origin", origin)
	}
	return websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(y.base, "http")+path, header)
}

func (y *yard) socket(path string) *websocket.Conn {
	y.t.Helper()
	c, _, err := y.dial(path, "")
	y.must(err)
	y.t.Cleanup(func() { _ = c.Close() })
	y.must(c.SetReadDeadline(time.Now().Add(20 * time.Second)))
	return c
}

func (h *handset) ticket() string {
	h.y.t.Helper()
	var out struct{ Socket string }
	h.y.ok("POST", h.at("/tickets"), h.access, nil, &out)
	return out.Socket
}

func (y *yard) write(c *websocket.Conn, m wire.Message) {
	y.t.Helper()
	frame, err := wire.Encode(m)
	y.must(err)
	y.must(c.WriteMessage(websocket.BinaryMessage, frame))
}

func (y *yard) read(c *websocket.Conn) wire.Message {
	y.t.Helper()
	kind, frame, err := c.ReadMessage()
	y.must(err)
	if kind != websocket.BinaryMessage {
		y.t.Fatalf("a message of type %d", kind)
	}
	m, err := wire.Decode(frame)
	y.must(err)
	return m
}

// wantClosed reads until the socket closes, and gives what came before.
func (y *yard) wantClosed(what string, c *websocket.Conn, code int) (before []wire.Message) {
	y.t.Helper()
	for {
		_, frame, err := c.ReadMessage()
		if err != nil {
			var e *websocket.CloseError
			if !errors.As(err, &e) || e.Code != code {
				y.t.Errorf("%s: %v, want the close code %d", what, err, code)
			}
			return before
		}
		m, err := wire.Decode(frame)
		y.must(err)
		before = append(before, m)
	}
}

func (y *yard) greet(c *websocket.Conn, sender string) wire.Peer {
	y.t.Helper()
	y.write(c, wire.Join{SenderID: sender, Versions: []string{wire.ProtocolV1}, Gatewright: true})
	p, ok := y.read(c).(wire.Peer)
	if !ok || p.TargetID != sender || p.Version != wire.ProtocolV1 || p.Metadata.IsEphemeral {
		y.t.Fatalf("the answer to join is %+v", p)
	}
	return p
}

func TestSocketNeedsATicket(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	h := y.enrol(site.ID, rights.Crew, "Dan")
	used := h.ticket()
	y.greet(y.socket(used), "peer-1")
	late := h.ticket()
	y.pass(accounts.TicketLife)
	for what, path := range map[string]string{
		"no ticket": "/sync/v1", "an empty one": "/sync/v1?ticket=", "one made up": "/sync/v1?ticket=abc", "a spent one": used, "one that has run out": late,
	} {
		y.wantClosed(what, y.socket(path), hub.CloseIdentity)
	}
	// A ticket drawn before the phone was revoked.
	early := h.ticket()
	y.must(y.accounts.Revoke(t.Context(), site.ID, h.Device))
	y.wantClosed("a revoked phone", y.socket(early), hub.CloseRevoked)
}

func TestSocketOrigin(t *testing.T) {
	y := newYard(t, nil)
	h := y.enrol(y.site("brook").ID, rights.Crew, "Dan")
	for _, origin := range []string{"https://elsewhere.example", "null", "://", y.base + ".elsewhere.example"} {
		path := h.ticket()
		c, res, err := y.dial(path, origin)
		if err == nil {
			_ = c.Close()
			t.Errorf("Origin %q was let in", origin)
			continue
		}
		body, _ := io.ReadAll(res.Body)
		y.checkHeaders("Origin "+origin, res.Header)
		y.wantRefused("Origin "+origin, answer{res.StatusCode, res.Header, body}, http.StatusForbidden, "")
		// The ticket of the page that was turned away is not spent.
		y.greet(y.socket(path), "peer-"+b64([]byte(origin)))
	}
	c, _, err := y.dial(h.ticket(), y.base)
	y.must(err)
	defer c.Close()
	y.greet(c, "peer-own")
}

// Peers keep what they know of the server against its storage id, so it must outlive the process.
func TestStorageIDStays(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	y.plant(site)
	h := y.enrol(site.ID, rights.Crew, "Dan")
	c := y.socket(h.ticket())
	before := y.greet(c, "peer-1")
	docs, ok := y.read(c).(wire.Documents)
	if !ok || len(docs.Documents) != 1 || docs.Documents[0].Name != "plan" {
		t.Errorf("the list of documents is %+v", docs)
	}
	y.stop()
	y.wantClosed("the server goes away", c, hub.CloseTryLater)
	y.start()
	// The token holds over the restart, since the signing key is kept.
	c = y.socket(h.ticket())
	after := y.greet(c, "peer-1")
	if before.Metadata.StorageID == "" || after.Metadata.StorageID != before.Metadata.StorageID {
		t.Errorf("storage id %q, after a restart %q", before.Metadata.StorageID, after.Metadata.StorageID)
	}
	if again, ok := y.read(c).(wire.Documents); !ok || len(again.Documents) != 1 || again.Documents[0].Heads[0] != docs.Documents[0].Heads[0] {
		t.Errorf("after a restart the list of documents is %+v", again)
	}
}

func TestSocketEnds(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	crew, manager := y.enrol(site.ID, rights.Crew, "Dan"), y.enrol(site.ID, rights.Manager, "Maeve")

	c := y.socket(crew.ticket())
	y.must(c.WriteMessage(websocket.TextMessage, []byte("hello"))) // does no harm
	y.greet(c, "peer-1")
	y.must(c.WriteMessage(websocket.BinaryMessage, []byte("no frame")))
	said := y.wantClosed("what is no frame", c, hub.CloseProtocol)
	if last, ok := said[len(said)-1].(wire.Refusal); !ok || last.Message == "" {
		t.Errorf("before closing it said %+v", said)
	}

	c = y.socket(crew.ticket())
	y.write(c, wire.Sync{SenderID: "peer-1", TargetID: "x", DocumentID: "4NMNnkMhL8jXrdJ9jamS58PAVdXu", Data: []byte{0}})
	y.wantClosed("no join first", c, hub.CloseProtocol)

	c = y.socket(crew.ticket())
	y.must(c.WriteMessage(websocket.BinaryMessage, make([]byte, wire.MaxFrame+1)))
	y.wantClosed("a frame that is too large", c, websocket.CloseMessageTooBig)

	c = y.socket(crew.ticket())
	server := y.greet(c, "peer-1").SenderID
	y.ok("POST", "/api/v1/join", crew.access, object{"code": y.invitation(site.ID, rights.Crew), "name": "Irena"}, nil)
	y.write(c, wire.Sync{Request: true, SenderID: "peer-1", TargetID: server, DocumentID: "4NMNnkMhL8jXrdJ9jamS58PAVdXu", Data: wire.SyncMessage{}.Encode()})
	for {
		m := y.read(c) // fails the test when the socket is closed
		if _, ok := m.(wire.Unavailable); ok {
			break // a second person joined, and the socket goes on as before
		}
	}

	c = y.socket(crew.ticket())
	y.greet(c, "peer-1")
	y.ok("POST", crew.fill("/people/{person}/end"), manager.access, nil, nil)
	y.wantClosed("a person's access ended", c, hub.CloseRevoked)

	c = y.socket(crew.ticket())
	y.greet(c, "peer-1")
	y.ok("POST", crew.fill("/devices/{device}/revoke"), manager.access, nil, nil)
	y.wantClosed("the phone was revoked", c, hub.CloseRevoked)
}

func TestSocketWithoutJoin(t *testing.T) {
	y := newYard(t, nil)
	h := y.enrol(y.site("brook").ID, rights.Crew, "Dan")
	c := y.socket(h.ticket())
	for limit := time.Now().Add(20 * time.Second); y.hub.Stats().Conns == 0; runtime.Gosched() {
		if time.Now().After(limit) {
			t.Fatal("the hub does not see the socket")
		}
	}
	y.pass(hub.JoinWithin*time.Millisecond + time.Second)
	y.wantClosed("no join in time", c, hub.CloseNoJoin)
}

// A script's ticket opens many sockets, for the first senderId alone.
func TestReusableTicketIsBound(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	h := y.enrol(site.ID, rights.Crew, "Dan")
	secret, err := y.accounts.NewTicket(t.Context(), accounts.Ticket{Site: site.ID, Device: h.Device, Reusable: true, Expires: y.now().Add(time.Hour).UnixMilli()})
	y.must(err)
	path := "/sync/v1?ticket=" + secret
	y.greet(y.socket(path), "script-1")
	y.greet(y.socket(path), "script-1")
	c := y.socket(path)
	y.write(c, wire.Join{SenderID: "script-2", Versions: []string{wire.ProtocolV1}})
	y.wantClosed("another sender", c, hub.CloseIdentity)
	y.pass(time.Hour)
	y.wantClosed("run out", y.socket(path), hub.CloseIdentity)
}

// A database that fails says nothing about a ticket or a device: the phone is to come again, and not to think that it
// is unknown.
func TestWhileTheDatabaseFails(t *testing.T) {
	y := newYard(t, nil)
	h := y.enrol(y.site("brook").ID, rights.Crew, "Dan")
	path := h.ticket()
	y.must(y.db.Close())
	y.wantClosed("no database", y.socket(path), hub.CloseTryLater)
	if a := y.ask("GET", h.at("/documents"), h.access, nil); a.status < 500 {
		t.Errorf("without a database a device is answered %s", a)
	}
}
