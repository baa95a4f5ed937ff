package wire

import "unicode/utf8"

// The shapes on the wire. Field order is fixed by the structs, so that the
// same message always gives the same bytes.
type metadataShape struct {
	StorageID   string `cbor:"storageId,omitempty"`
	IsEphemeral bool   `cbor:"isEphemeral"`
}

type joinShape struct {
	Type     string            `cbor:"type"`
	SenderID string            `cbor:"senderId"`
	Metadata joinMetadataShape `cbor:"peerMetadata"`
	Versions []string          `cbor:"supportedProtocolVersions"`
}

type peerShape struct {
	Type     string        `cbor:"type"`
	SenderID string        `cbor:"senderId"`
	Metadata metadataShape `cbor:"peerMetadata"`
	Version  string        `cbor:"selectedProtocolVersion"`
	TargetID string        `cbor:"targetId"`
}

type refusalShape struct {
	Type     string `cbor:"type"`
	SenderID string `cbor:"senderId"`
	Message  string `cbor:"message"`
	TargetID string `cbor:"targetId"`
}

type documentShape struct {
	Type       string  `cbor:"type"`
	SenderID   string  `cbor:"senderId"`
	TargetID   string  `cbor:"targetId"`
	DocumentID string  `cbor:"documentId"`
	SessionID  string  `cbor:"sessionId,omitempty"`
	Count      *uint64 `cbor:"count,omitempty"`
	Data       []byte  `cbor:"data,omitempty"`
}

// Encode writes one binary frame. It refuses what Decode would refuse, so a
// mistake here shows on this side and not as a closed connection.
func Encode(m Message) ([]byte, error) {
	var shape any
	var err error
	switch m := m.(type) {
	case Join:
		versions := m.Versions
		if len(versions) == 0 {
			versions = []string{ProtocolV1}
		}
		if err = checkVersions(versions); err == nil {
			err = checkIDs("senderId", m.SenderID)
		}
		if err == nil {
			err = checkMetadata(m.Metadata)
		}
		shape = joinShape{typeJoin, m.SenderID, joinMetadata(m), versions}
	case Peer:
		err = checkIDs("senderId", m.SenderID, "targetId", m.TargetID, "selectedProtocolVersion", m.Version)
		if err == nil {
			err = checkMetadata(m.Metadata)
		}
		shape = peerShape{typePeer, m.SenderID, metadataShape(m.Metadata), m.Version, m.TargetID}
	case Refusal:
		err = checkIDs("senderId", m.SenderID, "targetId", m.TargetID)
		if err == nil {
			err = checkText("message", m.Message, MaxText)
		}
		shape = refusalShape{typeRefusal, m.SenderID, m.Message, m.TargetID}
	case Sync:
		err = checkIDs("senderId", m.SenderID, "targetId", m.TargetID, "documentId", m.DocumentID)
		if err == nil {
			err = checkData(m.Data)
		}
		if err != nil {
			return nil, err
		}
		return withinFrame(appendSync(make([]byte, 0, len(m.Data)+192), m))
	case Unavailable:
		err = checkIDs("senderId", m.SenderID, "targetId", m.TargetID, "documentId", m.DocumentID)
		shape = documentShape{Type: typeUnavailable, SenderID: m.SenderID, TargetID: m.TargetID, DocumentID: m.DocumentID}
	case Ephemeral:
		err = checkIDs("senderId", m.SenderID, "targetId", m.TargetID, "documentId", m.DocumentID, "sessionId", m.SessionID)
		if err == nil {
			err = checkData(m.Data)
		}
		if err == nil && m.Count > maxCount {
			err = fail(CodeValue, "count", "not a whole number below 2^53")
		}
		shape = documentShape{Type: typeEphemeral, SenderID: m.SenderID, TargetID: m.TargetID, DocumentID: m.DocumentID,
			SessionID: m.SessionID, Count: &m.Count, Data: m.Data}
	case Documents:
		err = checkIDs("senderId", m.SenderID, "targetId", m.TargetID)
		if err == nil && len(m.Documents) > maxElements {
			err = fail(CodeSize, "documents", "too many entries")
		}
		shape = documentsFrame(m)
	case Refused:
		err = checkIDs("senderId", m.SenderID, "targetId", m.TargetID, "documentId", m.DocumentID)
		if err == nil && len(m.Refused) > maxElements {
			err = fail(CodeSize, "refused", "too many entries")
		}
		shape = refusedFrame(m)
	default:
		return nil, fail(CodeType, "type", "a message that is only received")
	}
	if err != nil {
		return nil, err
	}
	b, err := encMode.Marshal(shape)
	if err != nil {
		return nil, fail(CodeMalformed, "frame", "cannot be written as CBOR")
	}
	return withinFrame(b)
}

func withinFrame(b []byte) ([]byte, error) {
	if len(b) > MaxFrame {
		return nil, fail(CodeSize, "frame", "longer than 1 MiB")
	}
	return b, nil
}

// checkIDs takes name, value, name, value …
func checkIDs(pairs ...string) error {
	for i := 0; i < len(pairs); i += 2 {
		if detail := idFault(pairs[i+1]); detail != "" {
			return fail(CodeValue, pairs[i], detail)
		}
	}
	return nil
}

func checkMetadata(m Metadata) error {
	if m.StorageID == "" {
		return nil
	}
	return checkIDs("storageId", m.StorageID)
}

func checkVersions(v []string) error {
	const name = "supportedProtocolVersions"
	if len(v) > MaxVersion {
		return fail(CodeSize, name, "want 1 to 16 entries")
	}
	for _, s := range v {
		if err := checkText(name, s, MaxVersion); err != nil {
			return err
		}
	}
	return nil
}

func checkText(name, s string, max int) error {
	if len(s) > max {
		return fail(CodeSize, name, "too long")
	}
	if !utf8.ValidString(s) {
		return fail(CodeMalformed, name, "not valid UTF-8 text")
	}
	return nil
}

func checkData(b []byte) error {
	if len(b) == 0 {
		return fail(CodeValue, "data", "empty")
	}
	return nil
}
