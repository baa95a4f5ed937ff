package wire

import (
	"github.com/fxamacker/cbor/v2"

	"gatewright/sync/change"
)

// The frames that are ours: only clients that say gatewright: 1 in the
// peerMetadata of their join get them.
const (
	typeDocuments = "documents"
	typeRefused   = "refused"
)

// OwnVersion is the value of peerMetadata.gatewright spoken here.
const OwnVersion = 1

// Documents lists all documents of the site, in order of their names. It
// follows the Peer message and comes again when a document appears or one
// that the client has not opened moves on.
type Documents struct {
	SenderID, TargetID string
	Documents          []Document // at most 1,024
}

// Document is one row of Documents.
type Document struct {
	Name, ID string
	Heads    []change.Hash
}

// Refused tells a client which of its changes were not taken into a document.
// It is sent once for each change and connection.
type Refused struct {
	SenderID, TargetID, DocumentID string
	Refused                        []RefusedChange // at most 1,024
}

// RefusedChange is one change that was not taken.
type RefusedChange struct {
	Hash    change.Hash
	Code    string // short and stable
	Reason  string // one sentence that names the field
	Entries []string
	Held    bool // it waits to be confirmed and is not lost
}

func (Documents) Type() string { return typeDocuments }
func (Refused) Type() string   { return typeRefused }

// Rejected is what a stock client is told instead of Refused: the data of an
// Ephemeral message of the server.
type Rejected struct {
	Hashes []change.Hash
	Code   string
	Held   bool
}

// Data writes the CBOR map {rejected: [hex…], code, held?}.
func (r Rejected) Data() []byte {
	b, err := encMode.Marshal(struct {
		Rejected []string `cbor:"rejected"`
		Code     string   `cbor:"code"`
		Held     bool     `cbor:"held,omitempty"`
	}{hexes(r.Hashes), r.Code, r.Held})
	if err != nil {
		return nil // text that is not UTF-8; codes are constants
	}
	return b
}

// ParseRejected reads what Data writes; false if it is anything else.
func ParseRejected(data []byte) (Rejected, bool) {
	f, err := readFields("data", data)
	if err != nil {
		return Rejected{}, false
	}
	d := &fieldReader{fields: f}
	r := Rejected{Hashes: d.hashes("rejected"), Code: d.text("code", true, MaxID), Held: d.flag("held")}
	return r, d.err == nil
}

func hexes(hashes []change.Hash) []string {
	out := make([]string, len(hashes))
	for i, h := range hashes {
		out[i] = h.String()
	}
	return out
}

type joinMetadataShape struct {
	StorageID   string `cbor:"storageId,omitempty"`
	IsEphemeral bool   `cbor:"isEphemeral"`
	Gatewright  int    `cbor:"gatewright,omitempty"`
}

func joinMetadata(m Join) joinMetadataShape {
	s := joinMetadataShape{StorageID: m.Metadata.StorageID, IsEphemeral: m.Metadata.IsEphemeral}
	if m.Gatewright {
		s.Gatewright = OwnVersion
	}
	return s
}

type documentsShape struct {
	Type      string             `cbor:"type"`
	SenderID  string             `cbor:"senderId"`
	TargetID  string             `cbor:"targetId"`
	Documents []documentRowShape `cbor:"documents"`
}

type documentRowShape struct {
	Name  string   `cbor:"name"`
	ID    string   `cbor:"id"`
	Heads []string `cbor:"heads"`
}

func documentsFrame(m Documents) documentsShape {
	s := documentsShape{Type: typeDocuments, SenderID: m.SenderID, TargetID: m.TargetID,
		Documents: make([]documentRowShape, len(m.Documents))}
	for i, d := range m.Documents {
		s.Documents[i] = documentRowShape{d.Name, d.ID, hexes(d.Heads)}
	}
	return s
}

type refusedShape struct {
	Type       string            `cbor:"type"`
	SenderID   string            `cbor:"senderId"`
	TargetID   string            `cbor:"targetId"`
	DocumentID string            `cbor:"documentId"`
	Refused    []refusedRowShape `cbor:"refused"`
}

type refusedRowShape struct {
	Hash    string   `cbor:"hash"`
	Code    string   `cbor:"code"`
	Reason  string   `cbor:"reason"`
	Entries []string `cbor:"entries"`
	Held    bool     `cbor:"held"`
}

func refusedFrame(m Refused) refusedShape {
	s := refusedShape{Type: typeRefused, SenderID: m.SenderID, TargetID: m.TargetID, DocumentID: m.DocumentID,
		Refused: make([]refusedRowShape, len(m.Refused))}
	for i, r := range m.Refused {
		entries := r.Entries
		if entries == nil {
			entries = []string{}
		}
		s.Refused[i] = refusedRowShape{r.Hash.String(), r.Code, r.Reason, entries, r.Held}
	}
	return s
}

// gatewright reads the version of our own frames out of peerMetadata. Any
// other value than ours counts as a stock client's.
func (d *fieldReader) gatewright() bool {
	r := d.raw("peerMetadata", false)
	if r == nil || d.err != nil {
		return false
	}
	f, err := readFields("peerMetadata", r)
	if err != nil {
		return false
	}
	v := f["gatewright"]
	return len(v) == 1 && v[0] == OwnVersion
}

func (d *fieldReader) documents() Message {
	m := Documents{SenderID: d.id("senderId", true), TargetID: d.id("targetId", true)}
	for _, row := range d.rows("documents") {
		m.Documents = append(m.Documents, Document{
			Name: row.text("name", true, MaxID), ID: row.id("id", true), Heads: row.hashes("heads"),
		})
		d.take(row)
	}
	return m
}

func (d *fieldReader) refused() Message {
	m := Refused{SenderID: d.id("senderId", true), TargetID: d.id("targetId", true), DocumentID: d.id("documentId", true)}
	for _, row := range d.rows("refused") {
		r := RefusedChange{
			Code: row.id("code", true), Reason: row.text("reason", false, MaxText),
			Entries: row.texts("entries"), Held: row.flag("held"),
		}
		h, err := change.ParseHash(row.text("hash", true, 2*len(change.Hash{})))
		if err != nil {
			row.fail(CodeValue, "hash", "not a change hash")
		}
		r.Hash = h
		m.Refused = append(m.Refused, r)
		d.take(row)
	}
	return m
}

func (d *fieldReader) take(row *fieldReader) {
	if d.err == nil {
		d.err = row.err
	}
}

// rows takes an array of maps apart.
func (d *fieldReader) rows(name string) []*fieldReader {
	var out []*fieldReader
	for _, it := range d.items(name) {
		f, err := readFields(name, it)
		if err != nil {
			d.take(&fieldReader{err: err})
			return nil
		}
		out = append(out, &fieldReader{fields: f})
	}
	return out
}

func (d *fieldReader) texts(name string) []string {
	var out []string
	for _, it := range d.items(name) {
		one := &fieldReader{fields: map[string]cbor.RawMessage{name: it}}
		out = append(out, one.text(name, true, MaxID))
		d.take(one)
	}
	return out
}

func (d *fieldReader) hashes(name string) []change.Hash {
	var out []change.Hash
	for _, s := range d.texts(name) {
		h, err := change.ParseHash(s)
		if err != nil {
			d.fail(CodeValue, name, "not a change hash")
			return nil
		}
		out = append(out, h)
	}
	return out
}

func (d *fieldReader) items(name string) []cbor.RawMessage {
	r := d.raw(name, true)
	if r == nil {
		return nil
	}
	if r[0]>>5 != majorArray {
		d.fail(CodeType, name, "not an array")
		return nil
	}
	var items []cbor.RawMessage
	if err := decMode.Unmarshal(r, &items); err != nil {
		d.fail(CodeMalformed, name, "not an array")
		return nil
	}
	return items
}
