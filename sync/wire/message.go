package wire

// Message is one of Join, Peer, Refusal, Sync, Unavailable, Ephemeral, Documents,
// Refused, Other.
type Message interface{ Type() string }

// ProtocolV1 is the only protocol version spoken here.
const ProtocolV1 = "1"

// Metadata is what a peer says about itself when it joins.
type Metadata struct {
	StorageID   string // "" if the peer keeps nothing; sync state is kept against it
	IsEphemeral bool
}

// Join is the client's first message.
type Join struct {
	SenderID string
	Metadata Metadata
	Versions []string // never empty after Decode: a missing list means version 1
	// Gatewright: the client understands the frames of own.go.
	Gatewright bool
}

// Speaks reports whether the client offers the version spoken here.
func (j Join) Speaks() bool {
	for _, v := range j.Versions {
		if v == ProtocolV1 {
			return true
		}
	}
	return false
}

// Peer is the server's answer to a Join.
type Peer struct {
	SenderID, TargetID string
	Metadata           Metadata
	Version            string
}

// Refusal is the protocol's message "error"; the sender closes after it.
type Refusal struct {
	SenderID, TargetID string
	Message            string // at most MaxText bytes
}

// Sync carries one sync payload (see DecodeSync). Request is the message type
// "request": the sender has nothing of the document yet. Both types occur with
// and without heads in the payload, so go by the heads.
type Sync struct {
	Request                        bool
	SenderID, TargetID, DocumentID string
	Data                           []byte
}

// Unavailable says that the sender has no such document.
type Unavailable struct{ SenderID, TargetID, DocumentID string }

// Ephemeral is passed on and not kept. Count rises within one SessionID. Data
// is CBOR of the application and not looked at.
type Ephemeral struct {
	SenderID, TargetID, DocumentID string
	SessionID                      string
	Count                          uint64
	Data                           []byte
}

// Other is a well-formed message of a type that is not handled here.
type Other struct{ Kind string }

// Message types as they are written on the wire.
const (
	typeJoin        = "join"
	typePeer        = "peer"
	typeRefusal     = "error"
	typeSync        = "sync"
	typeRequest     = "request"
	typeUnavailable = "doc-unavailable"
	typeEphemeral   = "ephemeral"
)

func (Join) Type() string        { return typeJoin }
func (Peer) Type() string        { return typePeer }
func (Refusal) Type() string     { return typeRefusal }
func (Unavailable) Type() string { return typeUnavailable }
func (Ephemeral) Type() string   { return typeEphemeral }
func (o Other) Type() string     { return o.Kind }

func (s Sync) Type() string {
	if s.Request {
		return typeRequest
	}
	return typeSync
}
