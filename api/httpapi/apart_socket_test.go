package httpapi_test

import (
	"crypto/rand"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/fasthttp/websocket"

	"gatewright/schema/logbook"
	"gatewright/sync/change"
	"gatewright/sync/hub"
	"gatewright/sync/wire"
)

// documentOf is the id of a document of a site, whether there is one or not.
func documentOf(t *testing.T, site, name string) string {
	t.Helper()
	id, err := logbook.ParseUUID(site)
	if err != nil {
		t.Fatal(err)
	}
	return wire.DocumentID(logbook.DocID(id, name))
}

// fence is an id of a document that no site has: what is answered to it comes after all answers to what was sent before.
func fence(t *testing.T) string {
	t.Helper()
	var id [16]byte
	if _, err := rand.Read(id[:]); err != nil {
		t.Fatal(err)
	}
	return wire.DocumentID(id)
}

// talk opens a socket, joins, sends a frame, and gives what is answered to it, one message a line, or how it was closed.
// With last it reads until a message of that type has come; without, up to the answer to a fence.
func (y *yard) talk(h *handset, frame []byte, last string) string {
	y.t.Helper()
	c := y.socket(h.ticket())
	defer c.Close()
	peer := y.greet(c, "peer-scan")
	if _, ok := y.read(c).(wire.Documents); !ok {
		y.t.Fatal("no list of documents")
	}
	y.must(c.WriteMessage(websocket.BinaryMessage, frame))
	end := fence(y.t.(*testing.T))
	if last == "" {
		y.write(c, wire.Sync{Request: true, SenderID: "peer-scan", TargetID: peer.SenderID, DocumentID: end, Data: wire.SyncMessage{}.Encode()})
	}
	var out strings.Builder
	for {
		_, raw, err := c.ReadMessage()
		if err != nil {
			fmt.Fprintf(&out, "%v\n", err)
			return out.String()
		}
		m, err := wire.Decode(raw)
		y.must(err)
		if u, ok := m.(wire.Unavailable); ok && u.DocumentID == end {
			return out.String()
		}
		fmt.Fprintf(&out, "%s %+v\nRAW %x %q\n", m.Type(), m, raw, raw)
		if m.Type() == last {
			return out.String()
		}
	}
}

// Every type of message of the socket with what is another site's in it: the answers hold nothing of that site, and
// are those to what is nowhere.
func TestSocketTellsNothingOfAnotherSite(t *testing.T) {
	y := newYard(t, nil)
	a := y.newFarm("brook", "Sallow Brook", "Europe/Dublin", "of the brook", 1)
	b := y.newFarm("zander-hill", "Zander Hill Dairy", "Pacific/Auckland", "of the hill", 2)
	// A restore window believes whoever brings something: closed, as it is on all but a few days.
	y.ok("POST", a.owner.at("/restore-window"), a.owner.access, object{"minutes": 0}, nil)
	marks, before := b.marks(), y.rowsOf(b.site.ID)
	month := logbook.EntryID(b.entry).Document()
	sent, leaks := 0, 0
	server := y.greet(y.socket(a.crew.ticket()), "peer-first").SenderID

	var head change.Hash
	docs, err := y.db.Documents(t.Context(), b.site.ID)
	y.must(err)
	for _, d := range docs {
		if d.Name == month {
			head = d.Heads[0]
		}
	}
	none := change.Hash{1, 2, 3}
	// alike sends a frame about the other site and the same about nowhere, and holds the answers against each other.
	alike := func(what string, h *handset, last string, make func(x things, head change.Hash, doc string) []byte) {
		t.Helper()
		foreign := y.talk(h, make(b.foreign(), head, documentOf(t, b.site.ID, month)), last)
		lost := documentOf(t, nowhere.site, month)
		nothing := y.talk(h, make(nowhere, none, lost), last)
		sent += 2
		for _, m := range marks {
			// What was asked for by its id is named in the answer.
			if told := strings.ReplaceAll(foreign, documentOf(t, b.site.ID, month), ""); strings.Contains(strip(told, b.foreign(), head), m) {
				leaks++
				t.Errorf("%s by %s: the answer holds %q: %s", what, h.Role, m, foreign)
			}
		}
		f := frames(strip(strings.ReplaceAll(foreign, documentOf(t, b.site.ID, month), "DOC"), b.foreign(), head))
		n := frames(strip(strings.ReplaceAll(nothing, lost, "DOC"), nowhere, none))
		if f != n {
			leaks++
			t.Errorf("%s by %s: %s\nof nowhere: %s", what, h.Role, f, n)
		}
	}
	encode := func(m wire.Message) []byte {
		raw, err := wire.Encode(m)
		y.must(err)
		return raw
	}
	callers := []*handset{a.crew, a.owner, a.contractor}
	for _, h := range callers {
		for _, request := range []bool{false, true} {
			alike(fmt.Sprintf("sync, request %v", request), h, "", func(_ things, head change.Hash, doc string) []byte {
				return encode(wire.Sync{Request: request, SenderID: "peer-scan", TargetID: server, DocumentID: doc,
					Data: wire.SyncMessage{Heads: []change.Hash{head}, Need: []change.Hash{head}}.Encode()})
			})
			alike("the same of an own document", h, "sync", func(_ things, head change.Hash, _ string) []byte {
				return encode(wire.Sync{Request: request, SenderID: "peer-scan", TargetID: server, DocumentID: documentOf(t, a.site.ID, month),
					Data: wire.SyncMessage{Need: []change.Hash{head}, Have: []wire.Have{{LastSync: []change.Hash{head}}}}.Encode()})
			})
		}
		alike("ephemeral", h, "", func(_ things, _ change.Hash, doc string) []byte {
			return encode(wire.Ephemeral{SenderID: "peer-scan", TargetID: server, DocumentID: doc, SessionID: "s", Count: 1, Data: []byte{0xa0}})
		})
		alike("doc-unavailable", h, "", func(_ things, _ change.Hash, doc string) []byte {
			return encode(wire.Unavailable{SenderID: "peer-scan", TargetID: server, DocumentID: doc})
		})
		alike("documents", h, "", func(_ things, head change.Hash, doc string) []byte {
			return encode(wire.Documents{SenderID: "peer-scan", TargetID: server, Documents: []wire.Document{{Name: month, ID: doc, Heads: []change.Hash{head}}}})
		})
		alike("refused", h, "", func(_ things, head change.Hash, doc string) []byte {
			return encode(wire.Refused{SenderID: "peer-scan", TargetID: server, DocumentID: doc, Refused: []wire.RefusedChange{{Hash: head, Code: "by", Reason: "none."}}})
		})
		alike("peer", h, "", func(things, change.Hash, string) []byte {
			return encode(wire.Peer{SenderID: "peer-scan", TargetID: server, Version: wire.ProtocolV1})
		})
		alike("error", h, "", func(things, change.Hash, string) []byte {
			return encode(wire.Refusal{SenderID: "peer-scan", TargetID: server, Message: "no"})
		})
		alike("a second join, as the other site's peer", h, "", func(things, change.Hash, string) []byte {
			return encode(wire.Join{SenderID: "peer-of-zander-hill", Versions: []string{wire.ProtocolV1}, Gatewright: true})
		})
		// What is written at home, and names the other site's device, person or entry. Whoever records for another
		// device is held, whoever the device is.
		n := byte(0)
		for what, entry := range map[string]func(e *logbook.Entry, x things){
			"another's device": func(e *logbook.Entry, x things) { e.Dev = x.device },
			"another's person": func(e *logbook.Entry, x things) { e.By = x.person },
			"both":             func(e *logbook.Entry, x things) { e.Dev, e.By = x.device, x.person },
			"another's entry": func(e *logbook.Entry, x things) {
				e.Kind, e.Text, e.Of = logbook.Void, "", logbook.EntryID(b.entry)
				if x == nowhere {
					e.Of = logbook.EntryID(nowhere.entry)
				}
			},
		} {
			if what == "another's entry" && h == a.owner {
				continue // a manager may void what is not there yet, and is told nothing
			}
			alike("a change with "+what, h, "refused", func(x things, _ change.Hash, _ string) []byte {
				at := y.clock.Load() + 1000
				n++ // an entry of its own each time
				e := logbook.Entry{ID: logbook.NewEntryID(at, [10]byte{n, h.Person[1], h.Person[2], h.Person[3]}), Kind: logbook.Note, At: at, By: h.Person, Dev: h.Device, Text: "x"}
				var actor [16]byte
				_, err := rand.Read(actor[:])
				y.must(err)
				entry(&e, x)
				raw, err := e.Encode()
				y.must(err)
				c, err := change.NewLogChange(change.Actor(actor[:]), 1, 1, nil, at, string(e.ID), string(raw))
				y.must(err)
				return encode(wire.Sync{SenderID: "peer-scan", TargetID: server, DocumentID: documentOf(t, a.site.ID, "log/2026-03"),
					Data: wire.SyncMessage{Heads: []change.Hash{c.Hash}, Changes: [][]byte{c.Bytes}}.Encode()})
			})
		}
	}
	// Tickets: one that the other site's phone has used, and one that there is not, end alike. (One that is good opens the
	// socket of its own site: it is a secret of 256 bits.) A phone that was revoked after it drew its ticket gets nothing.
	for _, ticket := range []string{b.used, strings.Repeat("A", 43)} {
		if said := y.wantClosed("ticket", y.socket("/sync/v1?ticket="+ticket), hub.CloseIdentity); len(said) != 0 {
			t.Errorf("a ticket that opens nothing was answered %+v", said)
		}
		sent++
	}
	for _, h := range []*handset{a.technician, a.viewer, a.lost, a.gone} {
		if got := y.ask("POST", h.at("/tickets"), h.access, nil); got.status != 403 && got.status != 401 {
			t.Errorf("a ticket for %s: %s", h.Role, got)
		}
	}
	if after := y.rowsOf(b.site.ID); after != before {
		t.Errorf("the other site was changed:\n%s, want\n%s", after, before)
	}
	t.Logf("%d callers, %d socket messages, %d marks of the other site, %d leaks", len(callers), sent, len(marks), leaks)
}

// strip takes out of an answer what the caller itself had written.
func strip(text string, x things, head change.Hash) string {
	return strings.NewReplacer(x.device, "DEVICE", x.person, "PERSON", head.String(), "HEAD", x.entry, "ENTRY").Replace(text)
}

// frames leaves out of answers what differs by chance: hashes and ids of what was sent, and the bytes on the wire.
func frames(text string) string {
	var out strings.Builder
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "RAW ") {
			continue // the same once more, with the lengths of ids
		}
		fields := strings.Fields(line)
		for _, f := range fields {
			if len(f) > 100 || strings.Contains(f, "Hash:") {
				continue
			}
			out.WriteString(chance.ReplaceAllString(f, "ID") + " ")
		}
		out.WriteByte('\n')
	}
	return out.String()
}

// chance is an entry's id or a hash.
var chance = regexp.MustCompile(`[0-9A-HJKMNP-TV-Z]{26}|[0-9a-f]{64}|\[[0-9 ]+\]`)
